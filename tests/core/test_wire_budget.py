"""What leaves for the desk, when, and in what order: the link's budget, cuts and fades."""

from __future__ import annotations

from collections.abc import Iterable

from depth import examples
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from shows import (
    DIN,
    FAST,
    LEVELS,
    MAYBE_LEVELS,
    Night,
    Ran,
    grids,
    nights,
    plans,
    rest,
    run,
    settled,
    small_plan,
    wish,
)
from wires import flat, keeps_the_budget

from stagectl.core.actions import Back, GoTo, Next, Nudge
from stagectl.core.effects import Ask
from stagectl.core.grid import Grid
from stagectl.core.levels import OFF, Level, Off, height
from stagectl.core.link import Link
from stagectl.core.plan import MS, Levels, Plan
from stagectl.core.state import State

SECOND = 1_000 * MS


@settings(max_examples=examples(40))
@given(nights(max_events=40))
def test_the_budget_is_never_passed(night: Night) -> None:
    keeps_the_budget(night.plan, rest(night.plan, run(night.plan, night.events)).effects)


@settings(max_examples=examples(30))
@given(plans(link=DIN), st.lists(st.integers(0, 30), min_size=20, max_size=40))
def test_frantic_feet_do_not_pass_the_budget(plan: Plan, gaps: list[int]) -> None:
    """A press every few milliseconds: places and nudges, so that a plan is replaced before it is told."""
    start = settled(plan)
    at, events = start.now, []
    for count, gap in enumerate(gaps):
        at += gap * MS
        action = (Nudge(by=300, column=0), GoTo(stop=count % len(plan.stops)), Nudge(by=-100, column=0))[count % 3]
        events.append((at, wish(action)))
    keeps_the_budget(plan, rest(plan, run(plan, events, start)).effects)


def _two_stops(draw: st.DrawFn, *, fade_ns: int, link: Link, grid: Grid | None = None) -> Plan:
    listeners, inputs = draw(st.integers(1, 4)), draw(st.integers(1, 6))
    sends = listeners * inputs
    some = st.lists(MAYBE_LEVELS, min_size=sends, max_size=sends)
    first, second = draw(some), draw(some)
    grid = grid or draw(grids())
    ceiling = max(draw(st.sampled_from((0, 600, -600))), grid.steps[0])
    return small_plan(first, second, listeners=listeners, ceiling=ceiling, grid=grid, fade_ns=fade_ns, link=link)


@st.composite
def cuts(draw: st.DrawFn) -> Plan:
    """Two stops and no fade between them."""
    return _two_stops(draw, fade_ns=0, link=draw(st.sampled_from((DIN, FAST))))


@st.composite
def slides(draw: st.DrawFn) -> Plan:
    """Two stops and a fade between them."""
    fade_ns = draw(st.integers(2, 300)) * 10 * MS
    return _two_stops(draw, fade_ns=fade_ns, link=draw(st.sampled_from((DIN, FAST))))


def _differ(asked: Levels, steps: Levels) -> dict[int, Level]:
    both = enumerate(zip(asked, steps, strict=True))
    return {send: step for send, (told, step) in both if step is not None and step != told}


def _goes_on(plan: Plan, start: State, listener: int = 0) -> Ran:
    return rest(plan, run(plan, [(start.now, wish(Next(), listener=listener))], start))


@settings(max_examples=examples(30))
@given(cuts(), st.data())
def test_a_cut_sends_what_differs_downs_first_and_the_presser_s_mix_before_the_others(
    plan: Plan, data: st.DataObject
) -> None:
    presser = data.draw(st.integers(0, len(plan.listeners) - 1))
    start = settled(plan)
    ran = _goes_on(plan, start, presser)
    told = flat(ran.asks)
    assert dict(told) == _differ(start.asked, ran.state.steps)
    assert len(told) == len(dict(told))
    kinds = []
    for send, level in told:
        before = start.asked[send]
        rises = before is None or height(level) > height(before)
        kinds.append((rises, send // (len(plan.inputs) + 1) != presser))
    assert kinds == sorted(kinds)


@given(cuts())
def test_a_cut_takes_no_longer_than_the_wire(plan: Plan) -> None:
    start = settled(plan)
    asks = _goes_on(plan, start).asks
    if asks:
        assert asks[0].at == start.now
        assert asks[-1].at <= start.now + len(flat(asks)) * plan.link.message_ns


@settings(max_examples=examples(30))
@given(cuts(), st.integers(0, 25))
def test_a_new_press_in_mid_cut_leaves_nothing_queued(plan: Plan, after: int) -> None:
    start = settled(plan)
    ran = run(plan, [(start.now, wish(Next())), (start.now + after * MS, wish(GoTo(stop=1)))], start)
    at = start.now + after * MS
    turned = run(plan, [(at, wish(Back()))], ran.state)
    ended = rest(plan, turned)
    assert {ask.press for ask in ended.asks} <= {turned.state.presses}
    assert dict(flat(ended.asks)) == _differ(ran.state.asked, ended.state.steps)
    assert len(flat(ended.asks)) == len(dict(flat(ended.asks)))
    if ended.asks:
        assert ended.asks[0].at <= max(at, ran.state.wire_free)


@settings(max_examples=examples(30))
@given(slides())
def test_fades_are_monotone_and_end_exactly_at_the_target(plan: Plan) -> None:
    start = settled(plan)
    ran = _goes_on(plan, start)
    ways: dict[int, list[int]] = {}
    for send, level in flat(ran.asks):
        ways.setdefault(send, []).append(height(level))
    differ = _differ(start.asked, ran.state.steps)
    assert ways.keys() == differ.keys()
    for send, way in ways.items():
        before, end = start.asked[send], differ[send]
        assert way[-1] == height(end)
        if before is None:
            assert len(way) == 1
            continue
        whole = [height(before), *way]
        assert whole == sorted(whole, reverse=height(end) < height(before))
        exact = plan.bounded[1][send]
        if isinstance(before, Off) and isinstance(exact, int):
            floor = plan.in_steps(send, min(plan.limits.nudge_floor, exact))
            assert floor is not None
            assert way[0] >= height(floor)


@given(slides())
def test_fades_take_their_time(plan: Plan) -> None:
    start = settled(plan)
    ran = _goes_on(plan, start)
    assume(ran.asks)
    frame_ns = max(20 * MS, len(_differ(start.asked, ran.state.steps)) * plan.link.message_ns)
    fade_ns = plan.stops[1].fade_ns
    assert ran.asks[0].at - start.now <= fade_ns
    assert ran.asks[-1].at - start.now <= max(fade_ns, frame_ns)


def _told_until(asks: Iterable[Ask], send: int, at: int) -> Level | None:
    told = [level for ask in asks if ask.at <= at for to, level in ask.levels if to == send]
    return told[-1] if told else None


@settings(max_examples=examples(30))
@given(
    st.integers(-6_000, 0),
    st.integers(-6_000, 0),
    st.lists(st.integers(1, 120), min_size=1, max_size=100),
    st.sampled_from((DIN, FAST)),
    st.sampled_from((range(-9_000, 1_001, 10), range(-9_000, 1_001, 100))),
)
def test_nudging_in_mid_fade_does_not_hurry_the_others(
    first: int, second: int, gaps: list[int], link: Link, steps: range
) -> None:
    """One input fades for two seconds while another is nudged to and fro: the fade keeps its pace and its end."""
    assume(abs(second - first) > 100)
    fade_ns = 2 * SECOND
    plan = small_plan((-2_000, first), (-2_000, second), fade_ns=fade_ns, link=link, grid=Grid(steps=steps))
    start = settled(plan)
    at, events = start.now, [(start.now, wish(Next()))]
    for count, gap in enumerate(gaps):
        at += gap * MS
        events.append((at, wish(Nudge(by=100 if count % 2 else -100, column=0))))
    asks = rest(plan, run(plan, events, start)).asks
    pace = abs(second - first) / fade_ns
    for ms in range(0, 2_000, 40):
        level = _told_until(asks, 1, start.now + ms * MS)
        if level is None:
            level = start.asked[1]
        assert isinstance(level, int)
        even = first + (second - first) * ms * MS / fade_ns
        # A fade is one frame ahead of its pace; where it was planned anew, frames are up to twice as long.
        assert abs(level - even) <= 3 * 20 * MS * pace + steps.step
    assert _told_until(asks, 1, start.now + fade_ns) == plan.in_steps(1, second)


def test_a_slow_fade_under_a_busy_treadle_neither_hurries_nor_stalls() -> None:
    """3 dB in 30 s is a hundredth of a dB in 100 ms; a press every 5 ms must not lose what lies between."""
    plan = small_plan((-2_000, -1_000), (-2_000, -1_300), fade_ns=30 * SECOND)
    start = settled(plan)
    presses = [
        (start.now + count * 5 * MS, wish(Nudge(by=100 if count % 2 else -100, column=0))) for count in range(1, 2_000)
    ]
    ran = run(plan, [(start.now, wish(Next())), *presses], start)
    level = ran.state.asked[1]
    assert isinstance(level, int)
    assert abs(level - -1_100) <= 10
    ended = rest(plan, ran)
    assert ended.asks[-1].at - start.now <= 30 * SECOND
    assert ended.state.asked[1] == -1_300


@given(LEVELS.filter(lambda level: level is not OFF), st.integers(0, 1_900))
def test_a_nudge_in_mid_fade_is_heard_at_once_and_whole(first: Level, ms: int) -> None:
    plan = small_plan((first, -1_000), (-2_000, -1_000), ceiling=1_000, fade_ns=2 * SECOND)
    start = settled(plan)
    halfway = run(plan, [(start.now, wish(Next()))], start)
    at = start.now + ms * MS
    plain = run(plan, [(at, wish(GoTo(stop=1)))], halfway.state)
    nudged = run(plan, [(at, wish(Nudge(by=-300, column=0)))], halfway.state)
    with_it, without = nudged.state.asked[0], plain.state.asked[0]
    assert isinstance(with_it, int)
    assert isinstance(without, int)
    frame = abs(3_000 + 9_000) * 20 // 2_000
    # What has met its new target already has no further way to go.
    assert with_it == -2_300 or abs(with_it - (without - 300)) <= 2 * frame + 10
    assert rest(plan, nudged).state.asked[0] == -2_300
