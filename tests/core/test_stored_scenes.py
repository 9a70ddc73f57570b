"""Scenes that the desk stores itself: each song begins with its own, wherever it is entered, and none is lost."""

from __future__ import annotations

from typing import Final

from depth import examples
from far_desk import FarDesk
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace
from shows import FINE, run, settled, small_plan, wish

from stagectl.core.actions import Action, Back, GoTo, Next
from stagectl.core.effects import Ask, Changed, Move, RecallStored, Told
from stagectl.core.events import DeskCame, DeskWent, Event
from stagectl.core.link import Answers
from stagectl.core.plan import MS, Plan, Stop

SECOND: Final = 1_000 * MS

STORED: Final = {0: 1, 1: 2, 2: None, 3: 4}
"""The desk's scene of each song."""


def tour() -> Plan:
    """Four songs; the second and the third have two sections each. A song's message has its number, a section's ten
    times that of its song and one more."""
    levels = (-1_000, None)
    stops = [Stop(song=-1, section=-1, name="base", levels=levels)]
    for song, stored in STORED.items():
        stops.append(Stop(song=song, section=-1, name=f"song {song}", levels=levels, stored=stored, messages=(song,)))
        if song in (1, 2):
            stops += [
                Stop(song=song, section=at, name=f"part {at}", levels=levels, messages=(10 * song + at,))
                for at in range(2)
            ]
    return replace(small_plan((-1_000,), grid=FINE, messages=22), stops=tuple(stops))


PLAN: Final = tour()
CHORUS: Final = next(at for at, stop in enumerate(PLAN.stops) if (stop.song, stop.section) == (1, 1))


def begun(*events: Event | Action) -> tuple[list[int], list[int]]:
    """What happens two seconds apart in a night that has come to rest at the base: the scenes that the desk was told,
    and the messages."""
    start = settled(PLAN)
    times = range(start.now + 2 * SECOND, start.now + 2 * SECOND * (len(events) + 1), 2 * SECOND)
    ran = run(
        PLAN, [(at, one if isinstance(one, Event) else wish(one)) for at, one in zip(times, events, strict=True)], start
    )
    return [one.number for one in ran.of(RecallStored)], [one.message for one in ran.of(Told)]


def test_a_song_that_is_entered_at_a_section_begins_with_its_own_scene_and_messages() -> None:
    assert begun(Next(), GoTo(stop=CHORUS)) == ([1, 2], [0, 1, 11])


def test_on_the_way_back_into_a_song_its_scene_is_told_again() -> None:
    last = len(PLAN.stops) - 1
    assert begun(GoTo(stop=last), GoTo(stop=CHORUS), Next(), Back())[0] == [4, 2, 2]


def test_within_a_song_nothing_begins_anew() -> None:
    assert begun(GoTo(stop=CHORUS - 1), Next(), Back()) == ([2], [1, 10, 11])


def test_a_scene_that_was_missed_is_told_when_the_desk_is_back_and_before_any_level() -> None:
    start = settled(PLAN)
    at = start.now + SECOND
    ran = run(PLAN, [(at, DeskWent()), (at + SECOND, wish(Next())), (at + 2 * SECOND, DeskCame())], start)
    told = [one for one in ran.effects if isinstance(one, Ask | RecallStored)]
    assert isinstance(told[0], RecallStored) and told[0].number == 1
    assert all(isinstance(one, Ask) for one in told[1:]) and told[1:]
    assert ran.state.scene_owed is None


def test_what_a_hand_left_meanwhile_is_asserted_with_the_rest_behind_a_scene_that_was_missed() -> None:
    """Nobody knows what the scene makes of that level: it might be above its ceiling."""
    desk = FarDesk(plan=replace(PLAN, answers=Answers(each=True, reports=True)))
    desk.do((0, DeskCame()), (SECOND, wish(Next())))
    desk.until(4 * SECOND)
    desk.do((5 * SECOND, DeskWent()), (6 * SECOND, wish(Next())))
    desk.levels[0] = 300
    desk.do((7 * SECOND, DeskCame()))
    desk.until(20 * SECOND)
    assert [one.number for one in desk.of(RecallStored) if isinstance(one, RecallStored)] == [1, 2]
    assert desk.state.asked[0] == -1_000 == desk.levels[0] and not desk.state.left


def test_a_hand_that_a_stored_scene_takes_away_is_told_from_where_it_was() -> None:
    desk = FarDesk(plan=replace(PLAN, answers=Answers(each=True, reports=True)))
    desk.do((0, DeskCame()), (SECOND, wish(Next())))
    desk.until(4 * SECOND)
    desk.hand(4 * SECOND, [(0, 0, 300)])
    desk.until(6 * SECOND)
    desk.do((7 * SECOND, wish(Next())))
    *_, told = desk.of(Changed)
    assert isinstance(told, Changed) and told.moves == (Move(0, 300, 0),)


ANYWHERE: Final = st.one_of(
    st.sampled_from((Next(), Back(), DeskWent(), DeskCame())),
    st.integers(1, len(PLAN.stops) - 1).map(lambda stop: GoTo(stop=stop)),
)


@settings(max_examples=examples(300))
@given(st.lists(ANYWHERE, max_size=12))
def test_wherever_the_night_goes_the_desk_ends_up_with_the_scene_of_its_song(events: list[Event | Action]) -> None:
    start = settled(PLAN)
    now = start.now
    timed: list[tuple[int, Event]] = []
    for one in (*events, DeskCame()):
        now += 2 * SECOND
        timed.append((now, one if isinstance(one, Event) else wish(one)))
    ran = run(PLAN, timed, start)
    song = PLAN.stops[ran.state.place.stop].song
    last = [one.number for one in ran.of(RecallStored)][-1:]
    if STORED.get(song) is not None:
        assert last == [STORED[song]]
    assert ran.state.scene_owed is None
