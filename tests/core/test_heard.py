"""Every event comes back as it was, through the file too; and what happens again is what happened."""

from __future__ import annotations

import tempfile
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from depth import examples
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace
from shows import Night, nights, run, small_plan

from stagectl.core.actions import Next, Nudge, Ride
from stagectl.core.contacts import Switch
from stagectl.core.events import (
    DeskSaid,
    Event,
    Moved,
    PedalWent,
    PlayerEnded,
    PlayerFailed,
    PlayerSaid,
    Unmapped,
    Wake,
    Wanted,
)
from stagectl.core.feet import Control, Pedal
from stagectl.core.gestures import Gesture
from stagectl.core.levels import OFF
from stagectl.journal.read import events, open_read, rows
from stagectl.journal.schema import Night as Head
from stagectl.journal.write import Journal
from stagectl.rehearse.script import Feet
from stagectl.story.entry import Heard
from stagectl.story.heard import KINDS, event, heard
from stagectl.story.replay import Chapter, Played
from stagectl.story.rows import Row, Teller
from stagectl.story.translate import Translation

HEAD = Head(setlist="by chance", begun_us=0, program="test")


def kept(night: Night, folder: Path) -> tuple[list[tuple[int, Heard]], list[Row]]:
    """The night, recorded as the daemon records it, and read again."""
    path = folder / "chance.night"
    journal = Journal.create(path, HEAD)
    teller, ran = Teller(night.plan), run(night.plan, ())
    for at, what in night.events:
        ran = run(night.plan, [(at, what)], ran.state)
        entry = None if isinstance(what, Wake) else heard(what, at, b"\xb0\x50\x7f")
        journal.write(teller.rows(ran.effects), 0, entry)
    journal.close()
    with closing(open_read(path)) as connection:
        return list(events(connection)), [row for _, _, row in rows(connection)]


@settings(max_examples=examples(20))
@given(nights())
def test_a_night_played_again_from_its_journal_is_the_same_night(night: Night) -> None:
    with tempfile.TemporaryDirectory() as folder:
        read, story = kept(night, Path(folder))
    assert [(entry.at, event(entry)) for _, entry in read] == [
        (at, what) for at, what in night.events if not isinstance(what, Wake)
    ]
    played, again = Played(night.plan, [Chapter(0, night.plan)]), []
    for number, entry in read:
        again += played.take(number, entry)
    again += played.until(night.ends)
    # What the last event has made due at its own time is done by then.
    straight = run(night.plan, [*night.events, (night.ends, Wake())])
    assert played.state == straight.state
    assert again == story == Teller(night.plan).rows(straight.effects)


@settings(max_examples=examples(15))
@given(nights(), st.data())
def test_broken_off_anywhere_it_goes_on_as_if_everything_had_been_unplugged(night: Night, data: st.DataObject) -> None:
    """The state that a journal gives is the one that the process had, so what comes after it is the same too."""
    cut = data.draw(st.integers(0, len(night.events)), label="killed after")
    before = [(at, what) for at, what in night.events[:cut] if not isinstance(what, Wake)]
    lived = run(night.plan, before)
    played = Played(night.plan, [Chapter(0, night.plan)])
    for number, (at, what) in enumerate(before, 1):
        played.take(number, heard(what, at))
    assert played.state == lived.state
    at = before[-1][0] if before else 0
    gone = [(at, what) for what in played.goes()]
    later = [(max(at, when), what) for when, what in night.events[cut:]]
    assert run(night.plan, [*gone, *later], played.state) == run(night.plan, [*gone, *later], lived.state)
    # Whatever had come has gone: nothing is held down any more, and nobody is told anything.
    state = run(night.plan, gone, played.state).state
    assert not state.desk_here and not state.players_here
    assert not any(lights.pedal_here or lights.wire_here for lights in state.lights)
    known_pedals = {what.pedal for _, what in gone if isinstance(what, PedalWent)}
    assert not {pedal for pedal, _ in state.hands} & known_pedals


def every_kind() -> list[Event]:
    """One of each kind."""
    given: dict[str, Any] = {
        "pedal": 1,
        "control": 2,
        "value": 3,
        "said": "B0 50 7F",
        "send": 4,
        "level": -1250,
        "player": 0,
    }
    given |= {"broken_off": True, "position": 123_456_789_012, "runs": True, "song": 7, "who": "page", "listener": 2}
    given["action"] = Nudge(by=100, column=3)
    return [kind(**{name: given[name] for name in kind.__struct_fields__}) for kind in KINDS]


@pytest.mark.parametrize("what", every_kind(), ids=lambda what: type(what).__name__)
def test_every_kind_of_event_comes_back(what: Event) -> None:
    assert event(heard(what, 5, b"\x01")) == what


@pytest.mark.parametrize(
    "what",
    [
        DeskSaid(send=0, level=OFF),
        PlayerSaid(player=0, position=-2_000, runs=False),
        Wanted(action=Nudge(by=-50), who="terminal"),
        Unmapped(pedal=0, said="\u2028 <b>"),
    ],
)
def test_odd_ones_come_back(what: Event) -> None:
    assert event(heard(what, 0)) == what


@pytest.mark.parametrize(
    ("entry", "says"),
    [
        (Heard(0, 99), "there is no kind of event 99; they go from 0 to 14"),
        (Heard(0, KINDS.index(Wanted), '{"does": "fly"}', "page", None), "there is no action"),
        (Heard(0, KINDS.index(Wanted), "no json", "page", None), "Expecting value"),
    ],
)
def test_what_is_no_event_is_told(entry: Heard, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        event(entry)


@settings(max_examples=10)
@given(nights(max_events=5))
def test_to_its_own_plan_nothing_is_translated(night: Night) -> None:
    translation = Translation(night.plan, night.plan)
    for _, what in night.events:
        if isinstance(what, PlayerEnded | PlayerFailed) and night.plan.first_of(what.song) is None:
            assert translation(what) is None
        else:
            assert isinstance(what, Wake) or translation(what) == what


@settings(max_examples=10)
@given(nights(max_events=12))
def test_a_plan_that_lacks_a_pedal_leaves_out_what_its_feet_did(night: Night) -> None:
    plan = night.plan
    fewer = replace(plan, pedals=tuple(replace(pedal, name=f"new {pedal.name}") for pedal in plan.pedals))
    translation = Translation(plan, fewer)
    for _, what in night.events:
        if hasattr(what, "pedal"):
            assert translation(what) is None


def test_names_lead_to_the_other_place() -> None:
    from stagectl.show.compile import compile_show
    from stagectl.show.load import load_show
    from stagectl.where import shipped

    plan = compile_show(load_show(shipped("setlists") / "nine-songs")).plan
    turned = replace(plan, pedals=plan.pedals[::-1], players=plan.players[::-1])
    translation = Translation(plan, turned)
    last = len(plan.pedals) - 1
    assert translation(Moved(pedal=0, control=1, value=5)) == Moved(pedal=last, control=1, value=5)
    assert translation(PlayerSaid(player=0, position=3, runs=True)) == PlayerSaid(
        player=len(plan.players) - 1, position=3, runs=True
    )


SWITCHES = {
    "momentary": Control(name="one", does={}),
    "normally closed": Control(name="one", does={}, switch=Switch(rests_closed=True)),
    "14 bits": Control(name="one", does={}, top=16_383),
    "latching": Control(name="one", does={}, switch=Switch(latching=True)),
    "a program": Control(name="one", does={}, top=1, gives_release=False),
    "one value": Control(name="one", does={}, gives_release=False, switch=Switch(threshold=5)),
}


@pytest.mark.parametrize("new", SWITCHES)
@pytest.mark.parametrize("old", SWITCHES)
def test_a_pedal_that_was_replaced_by_another_kind_presses_as_often(old: str, new: str) -> None:
    """One that broke in mid-show; the night goes on by the edited rig."""
    does = {Gesture.PRESS: Next()}
    plans = [
        small_plan(
            *((-1_000 - at,) for at in range(9)),
            pedals=(Pedal(name="board", controls=(replace(SWITCHES[name], does=does),)),),
        )
        for name in (old, new)
    ]
    presses = [value for _ in range(6) for _, value in Feet().moves((0, 0), "press", SWITCHES[old])]
    if old == "latching":
        presses = [SWITCHES[old].top * (at % 2) for at in range(1, 7)]
    moves = [(at * 10**9, Moved(pedal=0, control=0, value=value)) for at, value in enumerate(presses, 1)]
    translation = Translation(*plans)
    said = [(at, one) for at, move in moves for one in translation.all_of(move)]
    assert (old == new) <= (said == moves)
    assert run(plans[0], moves).state.place.stop == run(plans[1], said).state.place.stop == 6


def test_a_treadle_that_was_replaced_by_a_finer_one_stands_at_the_same_part_of_its_way() -> None:
    turn = {Gesture.TURN: Ride(low=-600, high=300, column=0, listener=0)}
    old, new = (
        small_plan((-1_000,), pedals=(Pedal(name="board", controls=(Control(name="treadle", does=turn, top=top),)),))
        for top in (127, 16_383)
    )
    for value in range(128):
        (said,) = Translation(old, new).all_of(Moved(pedal=0, control=0, value=value))
        assert isinstance(said, Moved) and abs(said.value / 16_383 - value / 127) < 1 / 16_383
        (back,) = Translation(new, old).all_of(said)
        assert back == Moved(pedal=0, control=0, value=value)


def test_rows_of_the_night_are_compared_whatever_time_they_took() -> None:
    from stagectl.story.compare import led_elsewhere, unlike

    press = Row(5, "press", 1, who="singer", what="nudge", number=180)
    change = Row(
        5, "change", 1, "singer", "nudge", listener="singer", input="lead vocal", before=-600, after=-500, sent=-500
    )
    assert not list(unlike([press, change], [press._replace(number=None), change]))
    [pair] = unlike([press, change], [press])
    assert pair.was == [change] and not pair.now
    assert led_elsewhere([press, change], [press, change._replace(before=-700)]) is None
    other = led_elsewhere([press, change], [press, change._replace(after=-400, sent=-400)])
    assert other is not None and [row.after for row in (*other.was, *other.now)] == [-500, -400]
