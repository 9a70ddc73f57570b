"""Treadles: their ends, their curve, their tremble, their smoothing, and that no level jumps."""

from __future__ import annotations

from fractions import Fraction
from types import MappingProxyType
from typing import cast

from depth import examples
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace
from shows import Ran, rest, run, settled, small_plan, travels, wish

from stagectl.core.actions import GoTo, Nudge, Ride, Undo
from stagectl.core.effects import Changed, Reason, Refused
from stagectl.core.events import Event, Moved, PedalWent, Wake
from stagectl.core.feet import Control, Pedal
from stagectl.core.gestures import Gesture
from stagectl.core.plan import MS, Plan
from stagectl.core.rides import PICK_UP
from stagectl.core.travel import CURVE_MAX, CURVE_MIN, DEAD_MAX, FULL, SMOOTH_MAX_NS, Travel, shift_at

RIDE = Ride(low=-1_200, high=1_200, column=0, listener=0)
TOPS = st.sampled_from((1, 2, 127, 1_000))
CURVES = st.integers(CURVE_MIN, CURVE_MAX)


def plan_of(travel: Travel, *rides: Ride, top: int = 127) -> Plan:
    """A treadle for each ride, over two stops."""
    controls = tuple(
        Control(name=f"treadle {at}", does={Gesture.TURN: one}, top=top, travel=travel)
        for at, one in enumerate(rides or (RIDE,))
    )
    pedals = (Pedal(name="board", controls=controls, listener=0),)
    return small_plan((-2_000, -2_000), (-1_500, -2_500), pedals=pedals, ceiling=1_000)


def moves(values: list[tuple[int, int]], start: int, control: int = 0) -> list[tuple[int, Event]]:
    """Times in ms after `start`, and values."""
    return [(start + at * MS, Moved(pedal=0, control=control, value=value)) for at, value in values]


def turned(plan: Plan, values: list[tuple[int, int]], start_value: int | None = None) -> tuple[int, Ran]:
    """Where the time counts from, and the night. `start_value`: where the treadle first takes hold."""
    state = settled(plan)
    if start_value is not None:
        state = rest(plan, run(plan, moves([(0, start_value)], state.now), state)).state
    start = settled(plan).now + 2 * 10**9
    return start, rest(plan, run(plan, moves(values, start), state))


# -- the table of places -----------------------------------------------------------------------------------------


@given(TOPS, st.data())
def test_ends_are_reached_exactly_and_the_way_is_monotone(top: int, data: st.DataObject) -> None:
    travel = data.draw(travels(top))
    places = travel.places(top)
    toe = top if travel.toe is None else travel.toe
    low, high = sorted((travel.heel, toe))
    ordered = places if toe > travel.heel else places[::-1]
    assert (places[travel.heel], places[toe]) == (0, FULL)
    assert list(ordered) == sorted(ordered)
    dead = travel.dead * (high - low) // 100
    for value in range(top + 1):
        if abs(value - travel.heel) <= dead or (value < low if toe > travel.heel else value > high):
            assert places[value] == 0
        if abs(value - toe) <= dead or (value > high if toe > travel.heel else value < low):
            assert places[value] == FULL


@given(st.integers(0, 100), st.integers(1, 27), st.integers(0, DEAD_MAX), CURVES)
def test_reversed_is_mirrored(heel: int, span: int, dead: int, curve: int) -> None:
    straight = Travel(heel=heel, toe=heel + span, dead=dead, curve=curve).places(127)
    mirrored = Travel(heel=heel + span, toe=heel, dead=dead, curve=curve).places(127)
    for value in range(heel, heel + span + 1):
        assert mirrored[2 * heel + span - value] == straight[value]


@given(CURVES, st.integers(0, 127), st.integers(0, DEAD_MAX))
def test_a_place_is_the_power_rounded_down(curve: int, value: int, dead: int) -> None:
    place = Travel(dead=dead, curve=curve).places(127)[value]
    x = min(max(Fraction(value, 127) - Fraction(dead, 100), Fraction(0)) / (1 - Fraction(2 * dead, 100)), Fraction(1))
    power = x**curve
    assert Fraction(place, FULL) ** 100 <= power
    assert place == FULL or Fraction(place + 1, FULL) ** 100 > power


def test_a_straight_treadle_is_plain_arithmetic() -> None:
    places = Travel().places(127)
    assert [shift_at(place, -600, 300) for place in places] == [-600 + round(900 * v / 127) for v in range(128)]
    assert [shift_at(place, 300, -600) for place in places] == [300 - round(900 * v / 127) for v in range(128)]


# -- jitter ------------------------------------------------------------------------------------------------------


@given(st.integers(1, 5), st.integers(75, 110), st.lists(st.integers(-5, 5), min_size=1, max_size=30))
def test_a_tremble_of_n_is_ignored_and_told_once(jitter: int, at: int, tremble: list[int]) -> None:
    plan = plan_of(Travel(jitter=jitter))
    near = [max(-jitter, min(jitter, by)) for by in tremble]
    middle = 64
    values = [(10 * n, at + by) for n, by in enumerate(near)]
    state = settled(plan)
    held = run(plan, moves([(0, middle), (1_000, at)], state.now), state)
    ran = run(plan, moves(values, held.state.now + 10**9), held.state)
    assert ran.state.rides == held.state.rides
    assert not ran.of(Changed)
    ignored = sum(1 for by in near if by)
    end = run(plan, [(ran.state.now + MS, PedalWent(pedal=0))], ran.state)
    told = [refused.what for one in (ran, end) for refused in one.of(Refused) if refused.reason is Reason.JITTER]
    assert sum(int(what.split()[0]) for what in told) == ignored
    assert len(told) <= 1 + sum(1 for by in near if not by)
    beyond = run(plan, moves([(0, at + jitter + 1)], ran.state.now + 10**9), ran.state)
    assert beyond.of(Changed)


@given(st.integers(0, 20), st.sampled_from((0, 127)))
def test_no_jitter_keeps_a_treadle_from_its_ends(jitter: int, end: int) -> None:
    plan = plan_of(Travel(jitter=jitter))
    near = 1 if end == 0 else 126
    _, ran = turned(plan, [(0, near), (100, end)], start_value=64)
    assert ran.state.rides[0] == (-1_200 if end == 0 else 1_200)


# -- smoothing ---------------------------------------------------------------------------------------------------

STEPS = st.lists(st.tuples(st.integers(0, 40), st.integers(0, 127)), min_size=1, max_size=25)
SMOOTHS = st.integers(1, SMOOTH_MAX_NS // MS)


def path(ran: Ran) -> list[tuple[int, int]]:
    """When the level of the first send changed, and to what."""
    return [(one.at, cast(int, move.after)) for one in ran.of(Changed) for move in one.moves if move.send == 0]


@given(STEPS, SMOOTHS)
def test_smoothing_adds_no_more_than_its_time_and_ends_exactly(steps: list[tuple[int, int]], ms: int) -> None:
    now, values = 0, list[tuple[int, int]]()
    for gap, value in steps:
        now += gap
        values.append((now, value))
    plan, plain = plan_of(Travel(smooth_ns=ms * MS)), plan_of(Travel())
    start, smoothed = turned(plan, values, start_value=64)
    _, cut = turned(plain, values, start_value=64)
    assert smoothed.state.rides == cut.state.rides
    assert smoothed.state.wanted == cut.state.wanted
    assert all(at <= start + now * MS + ms * MS for at, _ in path(smoothed))
    begins = -2_000 + shift_at(Travel().places(127)[64], RIDE.low, RIDE.high)
    levels = [begins, *(level for _, level in path(cut))]
    assert all(min(levels) <= level <= max(levels) for _, level in path(smoothed))


@given(st.lists(st.tuples(st.integers(0, 30), st.integers(0, 127)), min_size=1, max_size=25), SMOOTHS)
def test_a_rise_stays_a_rise_and_is_never_later_than_its_time(steps: list[tuple[int, int]], ms: int) -> None:
    now, values = 0, list[tuple[int, int]]()
    for (gap, _), value in zip(steps, sorted(max(64, value) for _, value in steps), strict=True):
        now += gap
        values.append((now, value))
    start, smoothed = turned(plan_of(Travel(smooth_ns=ms * MS)), values, start_value=64)
    _, cut = turned(plan_of(Travel()), values, start_value=64)
    levels = [level for _, level in path(smoothed)]
    assert levels == sorted(levels)

    def at(way: list[tuple[int, int]], when: int) -> int:
        return max((level for moved, level in way if moved <= when), default=-10_000)

    for moved, _ in path(cut):
        assert at(path(smoothed), moved + ms * MS) >= at(path(cut), moved)
    assert start <= (path(smoothed) or [(start, 0)])[0][0]


@settings(max_examples=examples(25))
@given(STEPS, SMOOTHS, st.lists(st.integers(0, 500), max_size=10))
def test_smoothing_does_not_depend_on_wake_ups(steps: list[tuple[int, int]], ms: int, wakes: list[int]) -> None:
    plan = plan_of(Travel(smooth_ns=ms * MS))
    state = settled(plan)
    now, values = 0, [(0, 64)]
    for gap, value in steps:
        now += gap
        values.append((now, value))
    events = moves(values, state.now)
    woken = sorted([*events, *((state.now + at * MS, Wake()) for at in wakes)], key=lambda timed: timed[0])
    end: list[tuple[int, Event]] = [(state.now + 10**10, Wake())]
    assert run(plan, [*events, *end], state) == run(plan, [*woken, *end], state)


# -- pick-up -----------------------------------------------------------------------------------------------------


def test_a_song_that_leaves_the_treadle_alone_leaves_it_its_hold() -> None:
    plan = plan_of(Travel())
    _, ran = turned(plan, [(0, 80)], start_value=64)
    later = run(plan, [(ran.state.now + 10**9, wish(GoTo(stop=1)))], ran.state)
    assert later.state.rides == ran.state.rides
    again = run(plan, moves([(0, 20)], later.state.now + 10**9), later.state)
    assert not again.of(Refused)
    assert again.state.rides[0] != ran.state.rides[0]


@given(st.integers(0, 127), st.integers(0, 127), st.sampled_from((0, 20)))
def test_what_a_treadle_rides_may_change_under_it_and_no_level_jumps(rested: int, value: int, ms: int) -> None:
    """The same treadle, mapped to another level or another range by a song: it must meet the level first."""
    for other in (Ride(low=1_200, high=-1_200, column=0, listener=0), Ride(low=-600, high=0, column=1, listener=0)):
        travel = Travel(smooth_ns=ms * MS)
        before, after = plan_of(travel), plan_of(travel, other)
        _, ran = turned(before, [(0, rested)], start_value=64)
        send = 0 if other.column == 0 else 1
        now = ran.state.rides.get(send, 0)
        moved = rest(after, run(after, moves([(0, value)], ran.state.now + 10**9), ran.state))
        asked = shift_at(travel.places(127)[value], other.low, other.high)
        if abs(asked - now) <= PICK_UP:
            assert moved.state.rides.get(send, 0) == asked
        else:
            assert moved.state.rides == ran.state.rides
            assert [refused.reason for refused in moved.of(Refused)] == [Reason.NOT_PICKED_UP]


def test_two_treadles_on_one_level_do_not_fight() -> None:
    """What the other one has moved meanwhile has to be met again."""
    plan = plan_of(Travel(), RIDE, RIDE)
    _, first = turned(plan, [(0, 100)], start_value=64)
    events = [*moves([(0, 100), (100, 20)], first.state.now + 10**9, control=1)]
    second = run(plan, events, first.state)
    assert not second.of(Refused)
    back = run(plan, moves([(0, 101)], second.state.now + 10**9), second.state)
    assert [refused.reason for refused in back.of(Refused)] == [Reason.NOT_PICKED_UP]
    assert back.state.rides == second.state.rides


@given(st.integers(0, 127), st.lists(st.integers(0, 127), min_size=1, max_size=3), st.integers(0, 127))
def test_a_treadle_that_is_moved_where_it_moves_nothing_has_to_meet_its_level_anew(
    rested: int, meanwhile: list[int], value: int
) -> None:
    """Nothing is mapped to it there, or the level that it rides is none of the show's there."""
    plan = plan_of(Travel())
    here, there = plan.stops
    for nothing in (
        replace(there, does=MappingProxyType({(0, 0): MappingProxyType({})})),
        replace(there, levels=(None, *there.levels[1:])),
    ):
        some = replace(plan, stops=(here, nothing))
        _, ran = turned(some, [(0, rested)], start_value=64)
        away = run(some, [(ran.state.now + 10**9, wish(GoTo(stop=1)))], ran.state)
        there_ = run(
            some, moves([(100 * at, one) for at, one in enumerate(meanwhile)], away.state.now + 10**9), away.state
        )
        assert len(there_.of(Refused)) == len(meanwhile) and not there_.of(Changed)
        back = rest(some, run(some, [(there_.state.now + 10**9, wish(GoTo(stop=0)))], there_.state))
        moved = run(some, moves([(0, value)], back.state.now + 10**9), back.state)
        now, asked = back.state.rides.get(0, 0), shift_at(Travel().places(127)[value], RIDE.low, RIDE.high)
        if abs(asked - now) > PICK_UP:
            assert moved.state.rides == back.state.rides
            assert [refused.reason for refused in moved.of(Refused)] == [Reason.NOT_PICKED_UP]


# -- taking it back ----------------------------------------------------------------------------------------------


FOOT = "listener 0"
"""Whose foot is on the treadle, as it is recorded."""

WAY = st.lists(st.tuples(st.integers(1, 3_000), st.integers(0, 127)), min_size=1, max_size=12)


@settings(max_examples=examples(150))
@given(st.lists(WAY, min_size=1, max_size=4), st.sampled_from((0, SMOOTH_MAX_NS)))
def test_what_a_treadle_does_between_two_presses_is_taken_back_as_one(
    ways: list[list[tuple[int, int]]], smooth_ns: int
) -> None:
    """The presses nudge another level. One that ends where it began left nothing to take back."""
    plan = plan_of(Travel(smooth_ns=smooth_ns))
    state = settled(plan)
    stood = [0]
    for way in ways:
        at = state.now + 10**9
        for gap, value in way:
            at += gap * MS
            state = run(plan, moves([(0, value)], at), state).state
        state = rest(plan, Ran(state=state)).state
        if state.rides.get(0, 0) != stood[-1]:
            stood.append(state.rides[0])
        state = run(plan, [(state.now + 10**9, wish(Nudge(by=-100, column=1), who=FOOT))], state).state
    found = []
    while not (ran := run(plan, [(state.now + 10**9, wish(Undo(), who=FOOT))], state)).of(Refused):
        if ran.state.rides != state.rides:
            found.append(ran.state.rides.get(0, 0))
        state = rest(plan, ran).state
    assert found == stood[-2::-1]
    assert state.nudges == settled(plan).nudges


def test_what_a_treadle_gave_is_taken_back_before_the_song_is() -> None:
    plan = plan_of(Travel())
    state = settled(plan)
    state = run(plan, [(state.now + 10**9, wish(GoTo(stop=1), who=FOOT))], state).state
    state = rest(plan, run(plan, moves([(0, 64), (500, 90)], state.now + 10**10), state)).state
    assert state.rides[0] > 0
    state = rest(plan, run(plan, [(state.now + 10**9, wish(Undo(), who=FOOT))], state)).state
    assert state.place.stop == 1 and state.wanted[0] == -1_500 + state.rides.get(0, 0)
    assert abs(state.rides.get(0, 0)) <= PICK_UP
    # The treadle stands elsewhere now: it has to meet the level anew.
    ran = run(plan, moves([(0, 91)], state.now + 10**9), state)
    assert [one.reason for one in ran.of(Refused)] == [Reason.NOT_PICKED_UP]


def test_a_nudge_between_two_moves_of_a_treadle_is_a_change_of_its_own() -> None:
    plan = plan_of(Travel())
    state = settled(plan)
    at = state.now + 10**9
    feet = [
        *moves([(0, 64), (100, 90)], at),
        (at + 200 * MS, wish(Nudge(by=100, column=1), who=FOOT)),
        *moves([(300, 100)], at),
    ]
    state = rest(plan, run(plan, feet, state)).state
    found = []
    for _ in range(3):
        state = rest(plan, run(plan, [(state.now + 10**9, wish(Undo(), who=FOOT))], state)).state
        found.append((shift_at(90 * FULL // 127, -1_200, 1_200) == state.rides.get(0), bool(state.nudges[0])))
    assert found == [(True, True), (True, False), (False, False)]


@settings(max_examples=examples(60))
@given(st.lists(st.tuples(st.integers(0, 1), st.integers(0, 127)), min_size=4, max_size=90))
def test_two_feet_on_treadles_at_once_each_take_back_their_own(values: list[tuple[int, int]]) -> None:
    """However their values come: each has one change to take back."""
    rides = [replace(RIDE, column=0, listener=at) for at in range(2)]
    pedals = tuple(
        Pedal(name=f"board {at}", controls=(Control(name="t", does={Gesture.TURN: one}, travel=Travel()),), listener=at)
        for at, one in enumerate(rides)
    )
    plan = small_plan((-2_000, -2_000), pedals=pedals, ceiling=1_000, listeners=2)
    state = settled(plan)
    feet: list[tuple[int, Event]] = [
        (state.now + at * 50 * MS, Moved(pedal=pedal, control=0, value=value))
        for at, (pedal, value) in enumerate(values)
    ]
    state = rest(plan, run(plan, feet, state)).state
    for who in range(2):
        ridden = bool(state.rides.get(plan.send(who, 0), 0))
        undo = wish(Undo(), who=f"listener {who}", listener=who)
        ran = rest(plan, run(plan, [(state.now + 10**9, undo)], state))
        assert ran.state.rides.get(plan.send(who, 0), 0) == 0
        assert not ridden or not ran.of(Refused)
        state = ran.state
    assert state.wanted == settled(plan).wanted
