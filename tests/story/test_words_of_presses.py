"""What a press is called: a hush and its end, and refusals of controls that have the name of what they do.

The rows are those of real steps of the core on the demo trio.
"""

from __future__ import annotations

from stage_boards import show_at

from stagectl.core.actions import FallBack, Hush, Next, Undo
from stagectl.core.events import DeskCame, Wanted
from stagectl.core.levels import OFF
from stagectl.core.state import State, begin
from stagectl.core.step import step
from stagectl.story.rows import Row, Teller
from stagectl.story.words import HUSH_ENDS, lines, meant
from stagectl.view.last import last_of
from stagectl.view.room_step import Steps
from stagectl.where import shipped

SECOND = 1_000_000_000
_, COMPILED = show_at(shipped("setlists") / "three-songs")
PLAN = COMPILED.plan


class Night:
    """A night of wants, ten seconds apart."""

    def __init__(self) -> None:
        self.state: State = begin(PLAN, 0)
        self.now = 0
        self._teller = Teller(PLAN)
        self.state, _ = step(PLAN, self.state, DeskCame(), 0)
        self.want(Next())

    def want(self, action: Hush | Next | Undo | FallBack, listener: int | None = None) -> list[Row]:
        """The rows of something that is asked for."""
        self.now += 10 * SECOND
        who = "page" if listener is None else PLAN.listeners[listener]
        self.state, effects = step(PLAN, self.state, Wanted(action=action, who=who, listener=listener), self.now)
        # This desk answers nothing, which is told as well.
        return [row for row in self._teller.rows(effects) if row.kind != "refusal"]


def called(rows: list[Row]) -> str | None:
    """What the press among some rows is called on the three ways: in lines, on the stage page and in the room."""
    said = lines(rows)[0][12:].partition(": ")[2]
    last, steps = last_of(rows, 0, desk_here=True), Steps(PLAN)
    steps.hear(rows)
    assert last is not None and steps.last is not None
    assert said == last.what == steps.last.what
    return said


def test_a_hush_and_its_end_are_told_apart() -> None:
    night = Night()
    assert [called(night.want(Hush(everyone=False), 1)) for _ in range(4)] == ["hush", HUSH_ENDS] * 2


def test_everyone_is_hushed_until_all_are_down() -> None:
    night = Night()
    night.want(Hush(everyone=False), 1)
    assert [called(night.want(Hush(everyone=True))) for _ in range(3)] == ["hush", HUSH_ENDS, "hush"]


def test_an_undo_of_a_hush_is_an_undo() -> None:
    night = Night()
    night.want(Hush(everyone=False), 1)
    assert called(night.want(Undo(), 1)) == "undo"
    assert called(night.want(Hush(everyone=False), 1)) == "hush"


def test_what_is_recorded_is_left_as_it_is() -> None:
    night = Night()
    night.want(Hush(everyone=False), 1)
    rows = night.want(Hush(everyone=False), 1)
    assert {row.what for row in rows if row.kind in ("press", "change")} == {"hush"}
    # Without its changes, such as where a filter has left them out, a press keeps the word that is recorded.
    alone = [row for row in rows if row.kind == "press"]
    assert list(meant(alone)) == alone


def test_a_level_that_was_not_known_or_stays_off_says_nothing() -> None:
    press = Row(0, "press", 1, who="singer", what="hush")
    change = Row(0, "change", 1, who="singer", what="hush", listener="singer", input="voice")
    for before, after, ends in ((None, -600, False), (OFF, OFF, False), (OFF, -600, True), (-2_600, -600, True)):
        told = meant([press, change._replace(before=before, after=after)])
        assert told[0].what == (HUSH_ENDS if ends else "hush")
    other = change._replace(press=2, before=-2_600, after=-600)
    assert meant([press, other])[0].what == "hush"


def test_a_refusal_says_once_what_control_and_action_are_both_called() -> None:
    refused = Row(0, "refusal", 1, who="floor board", what="back", pedal="floor board", detail="too soon")
    assert [lines([refused._replace(control=name)])[0][12:] for name in ("back", "left", None)] == [
        "floor board: refused (back): too soon",
        "floor board: refused (left: back): too soon",
        "floor board: refused (back): too soon",
    ]
