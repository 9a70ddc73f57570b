"""What is said of a hand at the desk that is left above what its level may be.

The rows are those of real steps of the core on the demo trio, whose sends have a ceiling of 0 dB.
"""

from __future__ import annotations

from msgspec.structs import replace
from stage_boards import show_at

from stagectl.core.actions import Next
from stagectl.core.events import DeskCame, DeskSaid, Event, Wake, Wanted
from stagectl.core.levels import OFF, Level
from stagectl.core.link import Answers
from stagectl.core.state import begin
from stagectl.core.step import step
from stagectl.story.rows import Row, Teller, as_json
from stagectl.story.words import lines
from stagectl.where import shipped

SECOND = 1_000_000_000
_, COMPILED = show_at(shipped("setlists") / "three-songs")
PLAN = replace(COMPILED.plan, answers=Answers(reports=True))


def hand(level: Level) -> Row:
    """The row of a hand that puts the fiddler's own fiddle, -4 dB in the first song, to a level."""
    send = PLAN.send(PLAN.listeners.index("fiddler"), PLAN.inputs.index("fiddle"))
    state = begin(PLAN, 0)
    rows: list[Row] = []
    events: list[Event] = [DeskCame(), Wanted(action=Next(), who="page"), DeskSaid(send=send, level=level), Wake()]
    for at, event in enumerate(events):
        state, effects = step(PLAN, state, event, at * 10 * SECOND)
        rows = Teller(PLAN).rows(effects)
    (row,) = (row for row in rows if row.kind == "change")
    return row


def said(row: Row) -> str:
    return lines([row])[0][12:]


def test_a_hand_that_counts_as_it_is_has_no_more_said() -> None:
    row = hand(-700)
    assert said(row) == "a hand at the desk: fiddler: fiddle -4 dB → -7 dB"
    # Nothing was sent.
    assert as_json(row)["sent_db"] is None


def test_a_hand_above_its_ceiling_is_said_to_be_left_and_what_it_counts_as() -> None:
    row = hand(500)
    assert said(row) == "a hand at the desk: fiddler: fiddle -4 dB → +5 dB, left above its ceiling: counts as 0 dB"
    told = as_json(row)
    assert (told["to_db"], told["sent_db"], told["counts_db"]) == (5.0, None, 0.0)
    assert told["detail"] == "left above its ceiling"


def test_a_hand_below_the_nudge_floor_counts_as_off() -> None:
    row = hand(-4_500)
    assert said(row).endswith("-4 dB → -45 dB, left below the nudge floor: counts as off")
    assert row.sent == OFF
