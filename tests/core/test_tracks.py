"""Tracks that move the night: against a naive night that is looked at every tenth of a second, then case by case.

The naive night keeps no times: at every tick it moves its track on by a tenth, and looks whether something begins
there. So the two have nothing in common but the rules.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import pytest
from depth import examples
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace
from shows import Ran, Timed, rest, run, small_plan, wish

from stagectl.core.actions import Action, Back, FallBack, GoTo, Next, PauseCue, StartCue, StopCue, Undo
from stagectl.core.effects import Arrived, Ask, Changed, Cue, Reason, Refused, Tells, Track, Tracked
from stagectl.core.events import (
    DeskCame,
    DeskSaid,
    Event,
    PlayerCame,
    PlayerEnded,
    PlayerFailed,
    PlayerSaid,
    PlayerWent,
    Wake,
)
from stagectl.core.limits import Limits
from stagectl.core.link import Answers
from stagectl.core.plan import MS, Plan
from stagectl.core.players import CueCall, Player, Then
from stagectl.core.players import Timed as Section
from stagectl.core.state import Place
from stagectl.core.step import next_wake
from stagectl.core.tracks import GRACE_NS, JUMP_NS

S = 1_000 * MS
TICK = 100 * MS
HERE: list[Timed] = [(0, DeskCame()), (0, PlayerCame(player=0))]


def show(*songs: CueCall | None, sections: int = 3, settle_ms: int = 0, player: Player | None = None) -> Plan:
    """Songs of so many sections each; the stops of song s are 1 + s·(sections + 1) and the next ones."""
    plan = small_plan(*([-100 * at] for at in range(1 + len(songs) * (sections + 1))))
    stops = [plan.stops[0]]
    for at, stop in enumerate(plan.stops[1:]):
        song, part = divmod(at, sections + 1)
        stops.append(replace(stop, song=song, section=part - 1, cue=songs[song]))
    return replace(
        plan,
        stops=tuple(stops),
        players=(player or Player(name="player", pauses=True, seeks=True),),
        limits=Limits(settle_ns=settle_ms * MS),
    )


def timed(*positions: float | None, first: int = 1, **fields: object) -> CueCall:
    """A cue whose sections begin at these positions, s; None for one that the track does not bring."""
    sections = tuple(Section(round(at * S), first + 1 + part) for part, at in enumerate(positions) if at is not None)
    return replace(CueCall(player=0, sections=sections), **fields)


def places(ran: Ran) -> list[tuple[float, int]]:
    """Where the night went, and when, s."""
    return [(one.at / S, one.stop) for one in ran.of(Arrived)]


def reasons(ran: Ran) -> list[Reason]:
    return [one.reason for one in ran.of(Refused)]


# -- against a naive night --------------------------------------------------------------------------------


@dataclass
class Naive:
    """A night in ticks of a tenth of a second."""

    plan: Plan
    stop: int = 0
    position: int | None = None
    runs: bool = False
    countdown: int | None = None
    fallen: bool = False
    went: list[tuple[int, int]] = field(default_factory=list)

    def go(self, tick: int, stop: int) -> None:
        if self.plan.stops[stop].song != self.plan.stops[self.stop].song:
            self.position, self.countdown = None, None
        self.stop, self.fallen = stop, False
        self.went.append((tick, stop))

    def begin(self, tick: int, position: int) -> None:
        self.position, self.runs, self.countdown = position, True, None
        self.look(tick, count=position)

    def tick(self, tick: int) -> None:
        if self.countdown is not None:
            self.countdown -= 1
            if self.countdown == 0 and self.position is None:
                self.begin(tick, 0)
        elif self.position is not None and self.runs:
            self.position += 1
            self.look(tick, count=self.position)

    def look(self, tick: int, *, count: int) -> None:
        """What begins where the track is now."""
        cue = self.plan.stops[self.stop].cue
        assert cue is not None
        for section in cue.sections:
            if section.position == count * TICK and section.stop > self.stop and not self.fallen:
                self.go(tick, section.stop)
        if cue.length_ns == count * TICK:
            self.position = None
            after = [at for at, stop in enumerate(self.plan.stops) if stop.song == self.plan.stops[self.stop].song + 1]
            if cue.then is not Then.STAY and after and not self.fallen:
                self.go(tick, after[0])
                if cue.then is Then.START and self.plan.stops[after[0]].cue is not None:
                    self.countdown = cue.pause_ns // TICK

    def press(self, tick: int, action: Action) -> None:
        stops, cue = self.plan.stops, self.plan.stops[self.stop].cue
        if isinstance(action, Next | Back | GoTo):
            to = action.stop if isinstance(action, GoTo) else self.stop + (1 if isinstance(action, Next) else -1)
            if not 0 <= to < len(stops) or (to == self.stop and not self.fallen and self.went):
                return
            begins = stops[to].song != stops[self.stop].song and not isinstance(action, Back)
            self.go(tick, to)
            new = stops[to].cue
            if begins and new is not None and not new.by_press:
                self.begin_between(0)
        elif isinstance(action, FallBack):
            self.fallen = self.stop > 0
        elif isinstance(action, StopCue):
            self.position, self.countdown = None, None
        elif isinstance(action, PauseCue):
            if self.position is not None:
                self.runs = not self.runs
        elif isinstance(action, StartCue) and cue is not None:
            first = next(at for at, stop in enumerate(stops) if stop.song == stops[self.stop].song)
            if action.here and self.stop != first:
                times = [section.position // TICK for section in cue.sections if section.stop == self.stop]
                if times:
                    self.begin_between(times[0])
                return
            self.begin_between(0)
            if cue.sections and self.stop != first:
                if self.fallen:
                    self.stop = first
                else:
                    self.go(tick, first)

    def begin_between(self, position: int) -> None:
        """It begins between two ticks; the tick after that finds it half a tick on, and counts whole ones."""
        self.position, self.runs, self.countdown = position, True, None


ACTIONS: st.SearchStrategy[Action] = st.sampled_from(
    [
        *[Next(), Next(), Next(), Back(), GoTo(stop=2), GoTo(stop=5), StartCue(), StartCue(here=True)],
        *[PauseCue(), PauseCue(), StopCue(), FallBack()],
    ]
)

PLACES = st.lists(st.one_of(st.none(), st.integers(1, 30)), min_size=3, max_size=3)


@st.composite
def cues(draw: st.DrawFn, song: int) -> CueCall | None:
    if draw(st.integers(0, 4)) == 0:
        return None
    whole = sorted(draw(st.sets(st.integers(1, 30), min_size=3, max_size=3)))
    some = [at / 10 if draw(st.booleans()) else None for at in whole]
    return timed(
        *some,
        first=1 + song * 4,
        by_press=draw(st.booleans()),
        length_ns=draw(st.one_of(st.none(), st.integers(whole[-1] + 1, 40).map(lambda at: at * TICK))),
        then=draw(st.sampled_from(Then)),
        pause_ns=draw(st.integers(1, 9)) * TICK,
    )


@settings(max_examples=examples(150))
@given(st.data())
def test_a_track_brings_what_a_naive_night_brings(data: st.DataObject) -> None:
    """Presses fall half a tick after a tick, and so does all that their tracks bring; those of one tick come one after
    the other."""
    plan = show(*[data.draw(cues(song)) for song in range(3)])
    presses = data.draw(st.lists(st.tuples(st.integers(1, 100), ACTIONS), max_size=14))
    presses.sort(key=lambda press: press[0])
    naive = Naive(plan)
    events = list(HERE)
    waiting = list(presses)
    for tick in range(1, 400):
        naive.tick(tick)
        while waiting and waiting[0][0] == tick:
            naive.press(tick, waiting.pop(0)[1])
    for at, (tick, action) in enumerate(presses):
        events.append((tick * TICK + 50 * MS + at, wish(action)))
    ran = run(plan, [*events, (400 * TICK, Wake())])
    assert [((one.at - 50 * MS) // TICK, one.stop) for one in ran.of(Arrived) if not one.base] == naive.went
    track = ran.state.track
    assert (track is None) is (naive.position is None)
    assert track is None or (track.paused is None) is naive.runs


# -- case by case -----------------------------------------------------------------------------------------

FIRST = wish(Next())
ONE = show(timed(1, 2, 3))
"""One song, whose sections are the stops 2, 3 and 4, at 1, 2 and 3 s."""


def night(plan: Plan, *events: tuple[float, Event]) -> Ran:
    """The night with the desk and the player here, from the first song's start at 1 s on, until nothing is due."""
    times = [(round(at * S), event) for at, event in events]
    return rest(plan, run(plan, [*HERE, (1 * S, FIRST), *times]))


def test_sections_come_at_their_own_times_however_late_the_core_is_woken() -> None:
    late = run(ONE, [*HERE, (1 * S, FIRST), (3_600 * S, Wake())])
    assert places(late) == places(night(ONE)) == [(1, 1), (2, 2), (3, 3), (4, 4)]
    told = [(one.what, one.position / S, one.due / S) for one in late.of(Tracked)]
    assert told == [(Track.REACHED, at, at + 1) for at in (1, 2, 3)]


def test_a_count_in_comes_before_the_track() -> None:
    plan = show(timed(1, None, None, lead_ns=2 * S))
    ran = night(plan)
    assert places(ran) == [(1, 1), (4, 2)]
    (cue,) = ran.of(Cue)
    assert (cue.position, cue.begins) == (-2 * S, True)


def test_a_section_at_the_very_beginning_comes_with_it() -> None:
    assert places(night(show(timed(0, 1, None)))) == [(1, 1), (1, 2), (2, 3)]


def test_a_foot_that_is_there_first_wins_and_one_that_goes_back_stays_back() -> None:
    assert places(night(ONE, (1.5, wish(Next())))) == [(1, 1), (1.5, 2), (3, 3), (4, 4)]
    ahead = night(ONE, (1.4, wish(Next())), (1.5, wish(Next())))
    assert places(ahead) == [(1, 1), (1.4, 2), (1.5, 3), (4, 4)]
    assert places(night(ONE, (2.5, wish(Back())))) == [(1, 1), (2, 2), (2.5, 1), (3, 3), (4, 4)]


def test_a_foot_just_behind_the_track_counts_for_nothing() -> None:
    plan = show(timed(1, 2, 3), settle_ms=300)
    ran = night(plan, (2.299, wish(Next())), (3.3, wish(Next())))
    assert places(ran) == [(1, 1), (2, 2), (3, 3), (3.3, 4)]
    assert reasons(ran) == [Reason.JUST_BROUGHT]


def test_a_track_that_was_paused_is_right_afterwards() -> None:
    ran = night(ONE, (1.5, wish(PauseCue())), (9.5, wish(PauseCue())))
    assert places(ran) == [(1, 1), (10, 2), (11, 3), (12, 4)]
    assert [(one.tells, one.position / S) for one in ran.of(Cue)] == [
        (Tells.START, 0),
        (Tells.PAUSE, 0.5),
        (Tells.GO_ON, 0.5),
    ]


def test_a_track_starts_where_the_section_begins() -> None:
    plan = show(timed(1, None, 3))
    ran = night(plan, (1.1, wish(GoTo(stop=2))), (5, wish(StartCue(here=True))))
    assert places(ran) == [(1, 1), (1.1, 2), (4, 4)]
    here = night(plan, (1.1, wish(StopCue())), (1.2, wish(GoTo(stop=2))), (5, wish(StartCue(here=True))))
    assert places(here) == [(1, 1), (1.2, 2), (7, 4)]
    assert here.of(Cue)[-1].position == 1 * S and not here.of(Cue)[-1].begins
    nowhere = night(plan, (1.1, wish(StopCue())), (1.2, wish(GoTo(stop=3))), (5, wish(StartCue(here=True))))
    assert reasons(nowhere) == [Reason.NO_TIME]
    deaf = replace(plan, players=(Player(name="player"),))
    stays = night(deaf, (1.1, wish(StopCue())), (1.2, wish(GoTo(stop=2))), (5, wish(StartCue(here=True))))
    assert reasons(stays) == [Reason.CANNOT_SEEK]


def test_starting_over_takes_the_night_to_where_the_track_is() -> None:
    ran = night(ONE, (3.5, wish(StartCue())))
    assert places(ran) == [(1, 1), (2, 2), (3, 3), (3.5, 1), (4.5, 2), (5.5, 3), (6.5, 4)]
    by_feet = night(show(timed(None, None, None)), (1.1, wish(Next())), (3.5, wish(StartCue())))
    assert places(by_feet) == [(1, 1), (1.1, 2)]


def test_a_second_start_right_after_the_first_counts_for_nothing() -> None:
    plan = show(timed(1, None, None, by_press=True), settle_ms=300)
    ran = night(plan, (2, wish(StartCue())), (2.2, wish(StartCue())))
    assert (len(ran.of(Cue)), reasons(ran)) == (1, [Reason.JUST_STARTED])


def test_at_the_end_the_night_stays_or_goes_on() -> None:
    ends = timed(None, None, None, length_ns=5 * S)
    then = timed(1, None, None, first=5)
    assert places(night(show(ends, then))) == [(1, 1)]
    onward = night(show(replace(ends, then=Then.NEXT), then))
    assert places(onward) == [(1, 1), (6, 5)]
    assert len(onward.of(Cue)) == 1
    assert [one.what for one in onward.of(Tracked)] == [Track.ENDED, Track.WAITS]
    starts = replace(ends, then=Then.START, pause_ns=3 * S)
    assert places(night(show(starts, then))) == [(1, 1), (6, 5), (10, 6)]
    # A foot in the pause goes ahead; the track starts all the same, unless the foot stops it.
    ahead = night(show(starts, then), (7, wish(Next())))
    assert places(ahead) == [(1, 1), (6, 5), (7, 6)]
    assert [one.at for one in ahead.of(Cue)] == [1 * S, 9 * S]
    stopped = night(show(starts, then), (7, wish(StopCue())))
    assert places(stopped) == [(1, 1), (6, 5)]
    assert len(stopped.of(Cue)) == 1
    # The last song has none after it.
    assert places(night(show(starts))) == [(1, 1)]


@pytest.mark.parametrize(("says", "is_ours", "stops"), [(False, False, 1), (True, False, 0), (False, True, 0)])
def test_a_box_whose_length_was_short_can_be_stopped(says: bool, is_ours: bool, stops: int) -> None:
    """Only it knows whether it still plays; whoever says where it is would have said so."""
    box = Player(name="box", pauses=True, seeks=True, says=says, is_ours=is_ours)
    ran = night(show(timed(1, None, None, length_ns=3 * S), player=box), (9, wish(StopCue())))
    assert [one.at / S for one in ran.of(Cue) if one.tells is Tells.STOP] == [9] * stops
    assert reasons(ran) == [Reason.NOT_PLAYING] * (1 - stops)


def test_what_has_fallen_back_stays_at_the_base() -> None:
    plan = show(timed(1, 2, None, length_ns=3 * S, then=Then.NEXT), None)
    ran = night(plan, (1.5, wish(FallBack())))
    assert [one.what for one in ran.of(Tracked)] == [Track.HELD, Track.HELD, Track.ENDED, Track.HELD]
    assert ran.state.place == Place(stop=1, base=True)
    # Nor does the track that a foot begins anew take it from there, wherever in the song that is.
    for at in (0.5, 1.5):
        again = night(plan, (at, wish(FallBack())), (at + 0.2, wish(StartCue())))
        assert again.state.place == Place(stop=1, base=True)
    goes_on = night(plan, (1.5, wish(FallBack())), (2.5, wish(Next())))
    assert places(goes_on)[2:] == [(2.5, 2), (3, 3), (4, 5)]


def test_what_a_track_brings_is_nobody_s_to_undo() -> None:
    ran = night(ONE, (2.5, wish(Undo())))
    assert reasons(ran) == [Reason.NOTHING_TO_UNDO]
    # The step that the foot itself made does not stand any more: the track has gone on from it.
    assert ran.state.place.stop == 4


# -- players that come and go, and what they say ----------------------------------------------------------


def test_a_player_that_is_away_starts_nothing_and_nor_does_its_coming() -> None:
    ran = rest(
        ONE, run(ONE, [(0, DeskCame()), (1 * S, FIRST), (2 * S, wish(StartCue())), (3 * S, PlayerCame(player=0))])
    )
    assert places(ran) == [(1, 1)]
    assert [one.what for one in ran.of(Tracked)] == [Track.MISSED]
    assert reasons(ran) == [Reason.PLAYER_AWAY]
    assert ran.of(Cue) == [] and ran.state.track is None


def test_the_built_in_player_s_track_goes_with_it_and_another_s_plays_on() -> None:
    went = ((1.5, PlayerWent(player=0)),)
    assert places(night(ONE, *went)) == [(1, 1), (2, 2), (3, 3), (4, 4)]
    ours = replace(ONE, players=(Player(name="ours", pauses=True, seeks=True, is_ours=True),))
    lost = night(ours, *went)
    assert places(lost) == [(1, 1)]
    assert [(one.what, one.position / S) for one in lost.of(Tracked)] == [(Track.LOST, 0.5)]


def test_a_track_that_cannot_be_played_leaves_its_sections_to_the_feet() -> None:
    ran = night(ONE, (1.01, PlayerFailed(player=0, song=0)), (2.5, wish(Next())))
    assert places(ran) == [(1, 1), (2.5, 2)]
    assert [one.what for one in ran.of(Tracked)] == [Track.MISSED]
    assert places(night(ONE, (1.01, PlayerFailed(player=0, song=7)))) == places(night(ONE))


def test_the_end_that_a_player_says_is_the_end() -> None:
    plan = show(timed(1, None, 9, then=Then.NEXT), None)
    ran = night(plan, (4, PlayerEnded(player=0, song=0)))
    assert places(ran) == [(1, 1), (2, 2), (4, 5)]
    assert places(night(plan, (4, PlayerEnded(player=0, song=1)))) == [(1, 1), (2, 2), (10, 4)]


def test_a_sound_card_s_clock_is_followed() -> None:
    """200 ppm fast: what the setlist puts at 60 s is heard 12 ms earlier."""
    plan = show(timed(60, None, None))
    said = [(1 + at, PlayerSaid(player=0, position=round(at * S * 1.0002), runs=True)) for at in range(1, 60)]
    (_, (at, _)) = places(night(plan, *said))
    assert abs(at - (1 + 60 / 1.0002)) < 0.000_3


def test_a_track_that_jumps_takes_the_night_to_the_section_in_force() -> None:
    def said(at: float, position: float, runs: bool = True) -> tuple[float, Event]:
        return at, PlayerSaid(player=0, position=round(position * S), runs=runs)

    ahead = night(ONE, said(1.6, 2.5))
    assert places(ahead) == [(1, 1), (1.6, 3), (2.1, 4)]
    assert [one.what for one in ahead.of(Tracked)] == [Track.JUMPED, Track.REACHED]
    assert places(night(ONE, said(4.5, 1.2))) == [(1, 1), (2, 2), (3, 3), (4, 4), (4.5, 2), (5.3, 3), (6.3, 4)]
    stands = night(ONE, said(3.5, 0.2, runs=False))
    assert places(stands) == [(1, 1), (2, 2), (3, 3)]
    assert stands.state.track is not None and stands.state.track.paused == round(0.2 * S)
    again = night(ONE, said(3.5, 0.2, runs=False), said(9, 0.2))
    assert places(again)[3:] == [(9, 1), (9.8, 2), (10.8, 3), (11.8, 4)]


def test_a_player_that_begins_by_itself_plays_the_present_song() -> None:
    plan = show(timed(1, 2, None, by_press=True), None)
    here = PlayerSaid(player=0, position=round(1.5 * S), runs=True)
    assert places(night(plan, (5, here))) == [(1, 1), (5, 2), (5.5, 3)]
    # Only a change from standing to running counts: one that runs on after the song is over plays no other.
    runs_on = show(timed(1, 2, None), timed(1, None, None, first=5, by_press=True))
    events: list[tuple[float, Event]] = [(5, here), (6, wish(GoTo(stop=5))), (7, here), (8, here)]
    assert places(night(runs_on, *events))[-1] == (6, 5)


def says(at: float, position: float, runs: bool = True) -> tuple[float, Event]:
    return at, PlayerSaid(player=0, position=round(position * S), runs=runs)


def test_what_a_player_said_before_it_was_told_moves_nothing() -> None:
    """Where it says something that fits before its time is over; else the last thing it said counts then."""
    stale, grace = says(1.1, 2, runs=False), GRACE_NS / S
    fits = night(ONE, stale, says(1.2, 0.2))
    assert places(fits) == places(night(ONE))
    alone = night(ONE, stale)
    assert places(alone) == [(1, 1)]
    (stands,) = alone.of(Tracked)
    assert (stands.what, stands.at / S, stands.position / S) == (Track.STANDS, 1 + grace, 2)
    # A jump that was said in that time has gone on until its end.
    jumped = night(ONE, says(1.3, 2.5))
    assert jumped.of(Tracked)[0].position / S == 2.5 + grace - 0.3
    assert places(jumped)[:2] == [(1, 1), (1 + grace, 3)]


def test_a_song_that_a_player_begins_right_after_another_is_followed_all_the_same() -> None:
    first = timed(None, None, None, length_ns=3 * S, then=Then.NEXT)
    plan = show(first, timed(1, None, None, first=5, by_press=True), player=Player(name="box", says=True))
    ran = night(plan, says(1.2, 0.2), says(3.9, 2.9), says(4.01, 3, runs=False), says(4.3, 0), says(4.4, 0.1))
    assert places(ran) == [(1, 1), (4, 5), (5.3, 6)]


def test_a_track_that_stops_just_before_its_length_has_ended() -> None:
    plan = show(timed(None, None, None, length_ns=4 * S, then=Then.NEXT), None)
    assert places(night(plan, says(2, 1), says(4.99, 3.6, runs=False))) == [(1, 1), (4.99, 5)]
    assert places(night(plan, says(2, 1), says(4, 2.9, runs=False))) == [(1, 1)]
    # One that jumps past its length is over.
    assert places(night(plan, says(2, 1), says(3, 9))) == [(1, 1), (3, 5)]


def test_a_section_at_the_very_end_gives_way_to_it() -> None:
    plan = show(timed(2, None, 3, length_ns=3 * S, then=Then.NEXT), None)
    assert places(night(plan)) == [(1, 1), (3, 2), (4, 5)]


def test_whatever_runs_is_stopped() -> None:
    """Also where the night thinks that nothing plays; and one that was away, when it comes back."""
    plan = show(timed(None, None, None, length_ns=2 * S), None)
    late = night(plan, says(1.2, 0.2), says(2.9, 1.9), (5, wish(StopCue())))
    assert [one.tells for one in late.of(Cue)] == [Tells.START, Tells.STOP]
    moved = night(plan, says(1.2, 0.2), says(2.9, 1.9), (5, wish(GoTo(stop=5))))
    assert [one.tells for one in moved.of(Cue)] == [Tells.START, Tells.STOP]
    away: list[tuple[float, Event]] = [
        (1.5, PlayerWent(player=0)),
        (1.6, wish(GoTo(stop=5))),
        (9, PlayerCame(player=0)),
        (10, PlayerCame(player=0)),
    ]
    owed = night(show(timed(None, None, None), None), *away)
    assert [(one.tells, one.at / S) for one in owed.of(Cue)] == [(Tells.START, 1), (Tells.STOP, 9)]
    # Begun anew meanwhile, it is not stopped.
    again: list[tuple[float, Event]] = [
        *away[:2],
        (2, PlayerCame(player=0)),
        (3, wish(GoTo(stop=1))),
        (4, PlayerWent(player=0)),
    ]
    begun = night(show(timed(None, None, None), None), *again, (5, PlayerCame(player=0)))
    assert [one.tells for one in begun.of(Cue)] == [Tells.START, Tells.STOP, Tells.START]


def test_one_that_is_away_stops_what_it_plays_last_when_it_comes_back() -> None:
    """It is heard all the time, and can be told nothing: somebody starts it by hand in every song."""
    cues = [timed(None, None, None, number=number, by_press=True) for number in range(1, 30)]
    events: list[tuple[float, Event]] = [(1.5, PlayerWent(player=0))]
    for at in range(1, 30):
        events += [says(10 * at, 0, runs=False), says(10 * at + 1, 1), (10 * at + 5, wish(GoTo(stop=1 + 4 * at)))]
    ran = night(show(*cues, None), *events, (400, PlayerCame(player=0)))
    assert [(one.tells, one.number, one.at / S) for one in ran.of(Cue)] == [(Tells.STOP, 29, 400)]
    assert not ran.state.owed


def test_no_track_starts_by_itself_over_the_base() -> None:
    plan = show(
        timed(None, None, None, length_ns=2 * S, then=Then.START, pause_ns=3 * S), timed(None, None, None, first=5)
    )
    ran = night(plan, (4, wish(FallBack())))
    assert [one.what for one in ran.of(Tracked)] == [Track.ENDED, Track.HELD]
    assert len(ran.of(Cue)) == 1


def test_a_foot_that_went_back_may_go_on_at_once() -> None:
    plan = show(timed(1, None, None), settle_ms=300)
    ran = night(plan, (2.1, wish(Back())), (2.2, wish(Next())))
    assert places(ran) == [(1, 1), (2, 2), (2.1, 1), (2.2, 2)]


def test_what_feet_did_before_a_track_brought_the_night_on_is_not_undone() -> None:
    ran = night(ONE, (1.2, wish(Next())), (1.3, wish(Back())), (2.5, wish(Undo())))
    assert places(ran)[:4] == [(1, 1), (1.2, 2), (1.3, 1), (2, 2)]
    assert reasons(ran) == [Reason.NOTHING_TO_UNDO]


@pytest.mark.parametrize("ends", [False, True])
def test_a_hand_that_is_under_way_when_a_track_brings_the_night_on_counts_first(ends: bool) -> None:
    """As with a foot: what the hand has put is a nudge, which the stop keeps that the desk is told then."""
    cue = timed(length_ns=10 * S, then=Then.NEXT) if ends else timed(10)
    plan = replace(show(cue, None), answers=Answers(reports=True))
    start = [*HERE, (S, wish(GoTo(stop=1))), (3 * S, DeskSaid(send=0, level=-400))]
    ran = run(plan, [*start, (11 * S - 200 * MS, DeskSaid(send=0, level=-600)), (13 * S, Wake())])
    brought = places(ran)[-1][1]
    assert brought == (5 if ends else 2)
    (*_, hand, _) = [one for one in ran.of(Changed) if one.cause in ("hand", "track")]
    assert (hand.cause, hand.at, hand.moves[0].after) == ("hand", 11 * S, -600)
    # 5 dB below the song's -1 dB stays 5 dB below the next stop's level.
    level = -100 * brought - 500
    assert ran.of(Ask)[-1].levels == ((0, level),)
    assert ran.state.asked == ran.state.steps == (level, None)


def test_a_jump_leaves_a_section_that_has_no_time_alone() -> None:
    plan = show(timed(1, None, 9))
    assert places(night(plan, (2.5, wish(Next())), says(3, 4))) == [(1, 1), (2, 2), (2.5, 3), (8, 4)]
    assert places(night(plan, (2.5, wish(Next())), says(3, 0.5)))[3:] == [(3, 1), (3.5, 2), (11.5, 4)]


@given(st.lists(st.tuples(st.integers(1, 40), st.integers(0, 50), st.booleans()), max_size=8), st.data())
def test_whatever_a_player_says_the_track_is_where_it_said_last(
    said: list[tuple[int, int, bool]], data: st.DataObject
) -> None:
    """After the grace, and from a player that has said before that it runs or stands."""
    cue = data.draw(cues(0))
    plan = show(None if cue is None else replace(cue, then=Then.STAY))
    events, now = list(HERE), S
    events.append((now, FIRST))
    for gap, position, runs in said:
        now += GRACE_NS + gap * TICK
        events.append((now, PlayerSaid(player=0, position=position * TICK, runs=runs)))
        track = run(plan, events).state.track
        if track is not None and track.player == 0:
            assert abs(track.position(now) - position * TICK) <= JUMP_NS
            assert (track.paused is None) is runs
        ran = run(plan, events)
        due = next_wake(replace(ran.state, fade=None))
        assert due is None or due >= now
