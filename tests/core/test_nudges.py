"""What a nudge does: every press is heard or refused for a reason, and nothing winds up at a limit."""

from __future__ import annotations

from types import MappingProxyType

import pytest
from depth import examples
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from msgspec.structs import replace
from shows import BY, FINE, LEVELS, Ran, grids, run, settled, small_plan, wish

from stagectl.core.actions import WISHED, Lasts, Next, Nudge
from stagectl.core.effects import Reason, Refused
from stagectl.core.grid import Grid
from stagectl.core.levels import OFF, Level, Off, height
from stagectl.core.limits import Limits
from stagectl.core.nudges import TRAIL_MAX
from stagectl.core.plan import Plan
from stagectl.core.state import State


@st.composite
def one_send(draw: st.DrawFn) -> Plan:
    """One listener, one input, any base, ceiling, grid and limits."""
    grid = draw(grids())
    ceiling = draw(st.one_of(st.sampled_from((0, -600, 600)), st.integers(-7_000, 1_500)))
    return small_plan(
        (draw(LEVELS),),
        ceiling=ceiling if grid.has_off else max(ceiling, grid.steps[0]),
        grid=grid,
        limits=Limits(
            nudge_floor=draw(st.sampled_from((-4_000, -6_000, -2_000))),
            nudge_up=draw(st.sampled_from((1_200, 600, 300, 0))),
        ),
    )


def press(plan: Plan, state: State, by: int, lasts: Lasts = Lasts.NIGHT) -> Ran:
    """One nudge of the only send, a second later."""
    return run(plan, [(state.now + 10**9, wish(Nudge(by=by, column=0, lasts=lasts)))], state)


def level_of(state: State) -> Level:
    level = state.wanted[0]
    assert level is not None
    return level


def heard(state: State) -> int:
    """How high the desk's step for the only send is."""
    step = state.steps[0]
    assert step is not None
    return height(step)


def range_top(plan: Plan) -> int:
    """The highest level that a nudge may come to."""
    top = min(plan.ceilings[0], max(plan.grid.steps))
    base = plan.stops[0].levels[0]
    return min(top, base + plan.limits.nudge_up) if isinstance(base, int) else top


@settings(max_examples=examples(100))
@given(one_send(), st.lists(st.tuples(BY, st.sampled_from(WISHED)), min_size=1, max_size=30))
def test_each_press_is_heard_or_refused_with_a_true_reason(plan: Plan, presses: list[tuple[int, Lasts]]) -> None:
    state = settled(plan)
    start = level_of(state)
    for by, lasts in presses:
        before, ran = state, press(plan, state, by, lasts)
        state = ran.state
        refused = ran.of(Refused)
        if not refused:
            assert heard(state) > heard(before) if by > 0 else heard(state) < heard(before)
            level = level_of(state)
            if by > 0:
                assert isinstance(level, int)
                assert level <= range_top(plan)
            else:
                assert isinstance(level, Off) or level >= min(plan.limits.nudge_floor, height(start))
            continue
        (refusal,) = refused
        assert (state.wanted, state.nudges, state.undo) == (before.wanted, before.nudges, before.undo)
        if by > 0:
            room = [step for step in plan.grid.steps if heard(before) < step <= range_top(plan)]
            assert not room
            assert refusal.reason in (Reason.AT_CEILING, Reason.AT_DESK_TOP, Reason.AT_TOP)
        else:
            assert refusal.reason is Reason.AT_BOTTOM
            lowest = height(OFF) if plan.grid.has_off else plan.grid.steps[0]
            assert heard(before) == lowest


@settings(max_examples=examples(100))
@given(one_send(), st.integers(1, TRAIL_MAX), BY, st.sampled_from(WISHED), st.lists(BY, max_size=5))
def test_there_and_back_ends_where_it_began(plan: Plan, times: int, by: int, lasts: Lasts, before: list[int]) -> None:
    state = settled(plan)
    for earlier in before:
        state = press(plan, state, earlier).state
    start, made = state, 0
    while made < times:
        ran = press(plan, state, by, lasts)
        if ran.of(Refused):
            break
        state, made = ran.state, made + 1
    assume(made)
    for _ in range(made):
        was = heard(state)
        ran = press(plan, state, -by, lasts)
        assert not ran.of(Refused)
        state = ran.state
        assert heard(state) < was if by > 0 else heard(state) > was
    assert state.wanted == start.wanted
    assert state.steps == start.steps


@given(one_send(), st.integers(1, 12), BY.filter(lambda by: abs(by) >= 100))
def test_nothing_winds_up_at_a_limit(plan: Plan, further: int, by: int) -> None:
    state = settled(plan)
    for _ in range(200):
        ran = press(plan, state, by)
        if ran.of(Refused):
            break
        state = ran.state
    else:
        pytest.fail("no limit within 200 presses")
    for _ in range(further):
        ran = press(plan, state, by)
        assert ran.of(Refused)
        state = ran.state
    back = press(plan, state, -by)
    alone = len(plan.grid.steps) == 1 and not plan.grid.has_off
    if by > 0 and not alone and heard(state) > (height(OFF) if plan.grid.has_off else plan.grid.steps[0]):
        assert not back.of(Refused)
        assert heard(back.state) < heard(state)
    if not back.of(Refused):
        assert heard(back.state) < heard(state) if by > 0 else heard(back.state) > heard(state)


def test_ten_presses_at_the_ceiling_and_one_down() -> None:
    plan = small_plan((-500,), ceiling=0)
    state = settled(plan)
    reasons = []
    for _ in range(12):
        ran = press(plan, state, 300)
        reasons += [refused.reason for refused in ran.of(Refused)]
        state = ran.state
    assert level_of(state) == 0
    assert reasons == [Reason.AT_CEILING] * 10
    assert level_of(press(plan, state, -100).state) == -100


@pytest.mark.parametrize(
    ("ceiling", "grid", "up", "reason"),
    [
        (0, FINE, 1_200, Reason.AT_CEILING),
        (2_000, FINE, 2_000, Reason.AT_DESK_TOP),
        (2_000, FINE, 300, Reason.AT_TOP),
    ],
)
def test_the_reason_names_the_nearest_limit(ceiling: int, grid: Grid, up: int, reason: Reason) -> None:
    plan = small_plan((-500,), ceiling=ceiling, grid=grid, limits=Limits(nudge_up=up))
    state = settled(plan)
    for _ in range(30):
        ran = press(plan, state, 300)
        state = ran.state
    assert [refused.reason for refused in ran.of(Refused)] == [reason]


@given(BY.filter(lambda by: by > 0), st.sampled_from((-4_000, -6_000, -2_000)))
def test_up_from_off_starts_at_the_floor(by: int, floor: int) -> None:
    plan = small_plan((OFF,), limits=Limits(nudge_floor=floor))
    first = press(plan, settled(plan), by)
    assert level_of(first.state) == floor
    assert level_of(press(plan, first.state, by).state) == floor + by if by >= 10 else True


@given(st.integers(-3_900, 0), BY.filter(lambda by: by < 0))
def test_below_the_floor_is_off_and_up_from_there_is_the_floor(base: int, by: int) -> None:
    plan = small_plan((base,))
    state, last = settled(plan), base
    for _ in range(500):
        ran = press(plan, state, by)
        if ran.of(Refused):
            break
        state = ran.state
        level = level_of(state)
        if isinstance(level, int):
            assert -4_000 <= level < last
            last = level
        else:
            assert last + by < -4_000 or last - 10 < -4_000
    assert level_of(state) is OFF
    # Another size than the one that led here, so that this press is not one taken back.
    assert level_of(press(plan, state, 1 - by).state) == -4_000


def test_the_same_size_up_takes_back_the_press_that_led_to_off() -> None:
    plan = small_plan((-3_800,))
    down = press(plan, settled(plan), -300).state
    assert level_of(down) is OFF
    assert level_of(press(plan, down, 300).state) == -3_800


def test_up_is_heard_on_a_desk_whose_lowest_step_stands_for_off() -> None:
    plan = small_plan((OFF,), grid=Grid(steps=(-3_000, -2_000, -1_000), has_off=False))
    state = settled(plan)
    assert state.steps[0] == -3_000
    ran = press(plan, state, 300)
    assert not ran.of(Refused)
    assert ran.state.steps[0] == -2_000


def test_a_ceiling_below_the_floor_is_where_off_comes_up_to() -> None:
    plan = small_plan((-4_500,), ceiling=-5_000)
    down = press(plan, settled(plan), -300).state
    assert level_of(down) is OFF
    assert level_of(press(plan, down, 200).state) == -5_000


def test_shifts_for_song_and_night_stay_within_the_range_together() -> None:
    plan = small_plan((-2_000,), (-2_000,), limits=Limits(nudge_up=600))
    state = settled(plan)
    for by, lasts in ((600, Lasts.NIGHT), (-300, Lasts.NIGHT), (300, Lasts.SONG)):
        state = press(plan, state, by, lasts).state
    assert level_of(state) == -1_400
    ran = press(plan, state, 300, Lasts.NIGHT)
    assert [refused.reason for refused in ran.of(Refused)] == [Reason.AT_TOP]


def test_what_a_song_took_below_the_floor_stays_off_without_it() -> None:
    """Up for the song, then down for the night: when the song's part goes, less than the floor is `off`."""
    plan = small_plan((OFF,), (OFF,))
    state = settled(plan)
    for by, lasts in ((300, Lasts.SONG), (900, Lasts.SONG), (-300, Lasts.NIGHT)):
        state = press(plan, state, by, lasts).state
    assert level_of(state) == -3_400
    gone = replace(state, nudges=(state.nudges[Lasts.NIGHT], MappingProxyType({})))
    assert level_of(press(plan, gone, 300, Lasts.SONG).state) == -4_000


def test_what_goes_off_for_a_song_is_back_after_it() -> None:
    plan = small_plan((OFF,), (OFF,))
    state = settled(plan)
    for by, lasts in ((300, Lasts.NIGHT), (600, Lasts.NIGHT), (-900, Lasts.SONG)):
        state = press(plan, state, by, lasts).state
    assert level_of(state) is OFF
    later = run(plan, [(state.now + 10**9, wish(Next()))], state).state
    assert level_of(later) == -3_400
