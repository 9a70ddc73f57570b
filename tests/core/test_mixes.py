"""Mixes as sums: the ceiling of a mix, room for one input, and how fast a level may rise."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from itertools import pairwise
from typing import Any

import pytest
from depth import examples
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule
from msgspec.structs import replace
from shows import (
    BY,
    GAPS,
    Night,
    Ran,
    actions,
    happenings,
    nights,
    plans,
    rest,
    run,
    settled,
    sizes_of,
    small_plan,
    wish,
)

from stagectl.core import rest as rest_module
from stagectl.core.actions import Action, FallBack, GoTo, Hush, Lasts, Next, Nudge, NudgeRest, Recall, Ride, Undo
from stagectl.core.effects import Ask, Changed, Reason, RecallStored, Refused
from stagectl.core.events import DeskCame, DeskSaid, Event, Moved, Wake, Wanted
from stagectl.core.feet import Control, Pedal
from stagectl.core.gestures import Gesture
from stagectl.core.grid import Grid
from stagectl.core.levels import OFF, Level, Off, height
from stagectl.core.limits import Limits
from stagectl.core.link import Answers
from stagectl.core.mixes import UNIT, highest, power, total
from stagectl.core.plan import Group, Plan
from stagectl.core.rise import AT_ONCE_NS
from stagectl.core.state import State, begin
from stagectl.core.step import next_wake, step
from stagectl.core.telling import Teller


def sum_db(levels: Sequence[Level | None]) -> float:
    """The uncorrelated sum, dB, in floating point: the second opinion on the whole numbers of `mixes.py`."""
    return 10 * math.log10(math.fsum(10 ** (one / 1_000) for one in levels if isinstance(one, int)) or 1e-99)


def heard(plan: Plan, levels: Sequence[Level | None], listener: int) -> float:
    """What a mix comes to at the ear, dB."""
    row = levels[plan.send(listener, 0) : plan.send(listener + 1, 0)]
    whole = row[-1]
    return -999.0 if isinstance(whole, Off) else sum_db(row[:-1]) + (whole or 0) / 100


# -- sums -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("levels", "comes_to"),
    [
        ((0, 0), 3.0103),  # two equal: arithmetic from 10·log10 Σ10^(L/10)
        ((0,) * 3, 4.771),
        ((0,) * 10, 10.0),
        ((6_200 - 7_300, 0), 73.3 - 73.0),  # 62.0 + 73.0 = 73.3 dB, handbook example
        ((-300, -300), 0.0103),
    ],
)
def test_sums_of_the_handbook(levels: tuple[int, ...], comes_to: float) -> None:
    assert 10 * math.log10(total(levels) / UNIT) == pytest.approx(comes_to, abs=0.05 if comes_to == 73.3 - 73 else 6e-4)


@given(st.lists(st.one_of(st.integers(-6_000, 2_000), st.just(OFF), st.none()), min_size=1, max_size=128))
def test_a_sum_agrees_with_floating_point(levels: list[Level | None]) -> None:
    assume(any(isinstance(level, int) for level in levels))
    assert 10 * math.log10(total(levels) / UNIT) == pytest.approx(sum_db(levels), abs=1e-3)


@given(st.integers(-9_000, 2_000))
def test_the_highest_level_of_a_power_is_that_of_the_level(level: int) -> None:
    assert highest(power(level)) == level
    assert highest(power(level) - 1) == level - 1


# -- the ceiling of a mix ---------------------------------------------------------------------------------


class Watched:
    """A night, step by step, with what the desk is known to have."""

    def __init__(self, plan: Plan, at: int = 0) -> None:
        self.plan, self.state = plan, begin(plan, at)
        self.rises: dict[int, list[tuple[int, int, Level | None, Level]]] = {}

    def do(self, event: Event, at: int) -> None:
        """A step, and what must hold of every message in it."""
        levels: list[Level | None] = list(self.state.asked)
        self.state, effects = step(self.plan, self.state, event, at)
        for effect in effects:
            if isinstance(effect, RecallStored):
                levels = [None] * len(levels)
            elif isinstance(effect, Ask) and not isinstance(event, DeskSaid | DeskCame):
                for send, level in effect.levels:
                    self._sum(levels, send, level)
                    self._rise(effect.at, levels[send], send, level)
                    levels[send] = level

    def _sum(self, levels: list[Level | None], send: int, level: Level) -> None:
        listener, before = self.plan.listener_of(send), levels[send]
        ceiling = self.plan.mix_ceilings[listener]
        first = self.plan.send(listener, 0)
        mix = range(first, first + self.plan.width)
        # Until each level of a mix is known, nobody knows its sum.
        known = all(levels[one] is not None or self.state.steps[one] is None for one in mix)
        if ceiling is not None and known and (before is None or height(level) > height(before)):
            then = [level if at == send else one for at, one in enumerate(levels)]
            assert heard(self.plan, then, listener) <= ceiling / 100 + 1e-6, self.plan.send_name(send)

    def _rise(self, at: int, before: Level | None, send: int, level: Level) -> None:
        rise, some = self.plan.limits.rise, self.rises.setdefault(send, [])
        if before is None or height(level) <= height(before):
            some.clear()
        if rise is None or before is None or isinstance(level, Off) or height(level) <= height(before):
            return
        start = min(self.plan.limits.nudge_floor, level) if isinstance(before, Off) else before
        grid = self.plan.grid_of(send)
        assert grid is not None
        one_step = grid.beyond(start, up=True)
        some.append((at, start, before, level))
        begun, low = some[0][:2]
        most = rise * (at - begun + AT_ONCE_NS) // 10**9
        # A coarse desk may go one step further than that; it pays for it before the next.
        coarse = 0 if one_step is None else max(0, one_step - start)
        assert level - low <= max(most + coarse, coarse) + 1, self.plan.send_name(send)

    def wait(self, until: int) -> None:
        """Do what comes due, each at its time."""
        while (due := next_wake(self.state)) is not None and due <= until:
            self.do(Wake(), due)


def mixes_keep_their_bounds(night: Night) -> None:
    """A message that raises a level leaves the mix at or below its ceiling, and is no faster than is allowed."""
    watched = Watched(night.plan)
    for at, event in night.events:
        watched.wait(at)
        watched.do(event, at)
    watched.wait(night.ends + 10**10)


@settings(max_examples=examples(50))
@given(nights())
def test_no_message_takes_a_mix_above_its_ceiling_or_up_too_fast(night: Night) -> None:
    mixes_keep_their_bounds(night)


def _forget_ceilings(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Teller, "_most", lambda _, send, aim: None)
    monkeypatch.setattr(rest_module, "held_by", lambda comes_to, now, most: 0)


def _forget_rises(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Teller, "_rise", lambda _, send, now, was, aim: aim)


@pytest.mark.parametrize("forget", [_forget_ceilings, _forget_rises])
def test_forgetting_it_is_caught(forget: Callable[[pytest.MonkeyPatch], None], monkeypatch: pytest.MonkeyPatch) -> None:
    plan = replace(small_plan((-1_800,) * 4, (-100,) * 4), mix_ceilings=(0,), limits=Limits(rise=5_000), groups=())
    start = (0, DeskCame()), (0, wish(GoTo(stop=0), who="the start", listener=None))
    night = Night(plan=plan, events=(*start, (10**9, wish(Next()))))
    mixes_keep_their_bounds(night)
    forget(monkeypatch)
    # A plan keeps what it has worked out.
    with pytest.raises(AssertionError):
        mixes_keep_their_bounds(Night(plan=replace(plan), events=night.events))


def test_an_input_that_is_no_longer_driven_counts_as_it_was_left() -> None:
    """Three at -4 dB are held to -7.77 dB each, together -3 dB; beside a fourth at -9 dB that is 1.1 dB too much."""
    plan = replace(small_plan((-900,) * 4, (None, -400, -400, -400)), mix_ceilings=(-300,), groups=())
    start = (0, DeskCame()), (0, wish(GoTo(stop=0), who="the start", listener=None))
    mixes_keep_their_bounds(Night(plan=plan, events=(*start, (10**9, wish(Next())))))


@given(nights())
def test_at_rest_every_mix_is_at_or_below_its_ceiling(night: Night) -> None:
    plan, state = night.plan, rest(night.plan, run(night.plan, night.events)).state
    for listener, ceiling in enumerate(plan.mix_ceilings):
        if ceiling is not None:
            assert heard(plan, state.steps, listener) <= ceiling / 100 + 1e-6


def four(*, ceiling: int | None = None, room: int = 600, levels: tuple[Level, ...] = (-600, -600, -600, -600)) -> Plan:
    """One listener whose own input is the first of four, on a desk of hundredths of a dB."""
    return replace(
        small_plan(levels),
        mix_ceilings=(ceiling,),
        limits=Limits(room=room),
        groups=(Group(name="others", columns=(2, 3)),),
    )


def after(plan: Plan, *actions: Action, state: State | None = None) -> Ran:
    """The presses, a second apart."""
    start = settled(plan) if state is None else state
    return rest(plan, run(plan, [(start.now + n * 10**9, wish(one)) for n, one in enumerate(actions, 1)], start))


def test_a_scene_above_the_ceiling_of_the_mix_is_held_evenly() -> None:
    # Four at -6 dB are 6.02 dB more than one: 0.02 dB. At -3 dB together each is at -9.02 dB; the step below is -9.1.
    state = settled(four(ceiling=-300))
    assert state.steps[:4] == (-910,) * 4
    assert heard(four(), state.wanted, 0) == pytest.approx(-3, abs=0.05)


def test_a_hand_counts_later_as_far_as_the_mix_may_go() -> None:
    """1 dB is 1.2589; three at -6 dB are 0.7536; 0.5053 is left for the one that a hand has put to 0: -2.96 dB."""
    plan = replace(four(ceiling=100), answers=Answers(reports=True))
    plan = replace(plan, stops=(*plan.stops, replace(plan.stops[0], song=0, name="a song")))
    start = settled(plan)
    now = rest(plan, run(plan, [(start.now + 10**9, DeskSaid(send=1, level=0))], start)).state
    assert now.wanted[0] == now.wanted[2] == now.wanted[3] == -600
    assert now.wanted[1] in (-297, -296)
    # The desk is left as the hand has put it, until the next recall.
    assert now.asked[1] == 0
    later = after(plan, Next(), state=now)
    assert later.state.asked[1] == -300 and later.state.asked[0] == -600


# -- room -------------------------------------------------------------------------------------------------

FINE = st.lists(st.one_of(st.integers(-3_000, -300), st.just(OFF)), min_size=3, max_size=6)


@settings(max_examples=examples(75))
@given(FINE, st.integers(-2_500, -600), st.lists(BY, min_size=1, max_size=6))
def test_making_room_keeps_the_sum(others: list[Level], own: int, presses: list[int]) -> None:
    """Within 0.05 dB, or the wish is refused because the rest may make no more room."""
    plan = replace(small_plan((own, *others)), limits=Limits(room=900))
    state = settled(plan)
    before = heard(plan, state.wanted, 0)
    for by in (abs(by) for by in presses):
        ran = after(plan, Nudge(by=by, column=0, room=True), state=state)
        refusals = [one.reason for one in ran.of(Refused)]
        assert set(refusals) <= {Reason.NO_ROOM, Reason.AT_CEILING, Reason.AT_TOP}
        assert heard(plan, ran.state.wanted, 0) == pytest.approx(before, abs=0.05)
        assert refusals or ran.state.wanted[0] != state.wanted[0]
        if refusals:
            assert ran.state.wishes == state.wishes
        state = ran.state


@given(FINE, st.integers(-2_500, -600), st.integers(1, 6), st.sampled_from((100, 150, 300)))
def test_room_is_given_back_as_it_was_made(others: list[Level], own: int, times: int, by: int) -> None:
    plan = small_plan((own, *others))
    start = settled(plan)
    up = after(plan, *[Nudge(by=by, column=0, room=True)] * times)
    done = times - len(up.of(Refused))
    down = after(plan, *[Nudge(by=-by, column=0, room=True)] * done, state=up.state)
    assert down.state.wanted == start.wanted


def test_room_by_hand_arithmetic() -> None:
    # Own and three others at -6 dB: powers 4 x 0.2512 = 1.0048. Own at -3 dB: 0.5012; the three others keep
    # 0.5036, 0.1679 each: -7.75 dB.
    ran = after(four(), Nudge(by=300, column=0, room=True))
    assert ran.state.wanted[0] == -300
    assert set(ran.state.wanted[1:4]) <= {-775, -776}


def test_a_nudge_at_the_ceiling_of_the_mix_makes_room_by_itself() -> None:
    plan = four(ceiling=10)
    ran = after(plan, Nudge(by=300, column=0))
    assert ran.state.wanted[0] == -300
    # It was at 0.02 dB, and may come to 0.1.
    assert heard(plan, ran.state.wanted, 0) == pytest.approx(0.1, abs=0.05)
    back = after(plan, Nudge(by=-300, column=0), state=ran.state)
    assert back.state.wanted[:4] == (-600,) * 4


def moved(before: State, after: State) -> list[int]:
    """By how much the four inputs moved, hundredths of a dB."""
    return [
        height(OFF if new is None else new) - height(OFF if old is None else old)
        for old, new in zip(before.wanted[:4], after.wanted[:4], strict=True)
    ]


def test_later_presses_move_what_they_name_and_nothing_else() -> None:
    """After room was made, and in a mix that its ceiling holds."""
    made = after(four(), Nudge(by=300, column=0, room=True)).state
    rest_down = after(four(), NudgeRest(by=-100, column=0), state=made).state
    assert moved(made, rest_down) == [0, -100, -100, -100]
    plan = four(ceiling=-300)
    held = settled(plan)
    for action, moves in (
        (Nudge(by=-100, column=0), [-100, 0, 0, 0]),
        (Nudge(by=-100, column=4), [-100] * 4),
        (NudgeRest(by=-100, column=0), [0, -100, -100, -100]),
    ):
        down = after(plan, action, state=held).state
        assert moved(held, down) == moves


@pytest.mark.parametrize("step_", [10, 50, 75, 100])
@settings(max_examples=examples(20))
@given(st.lists(st.integers(-1_500, 0), min_size=4, max_size=10), st.integers(-300, 0))
def test_at_the_ceiling_of_a_mix_more_me_is_heard_on_any_desk(step_: int, levels: list[int], under: int) -> None:
    levels[0] = min(levels[0], -600)
    plan = small_plan(levels, grid=Grid(steps=range(-9_000, 1_001, step_)), limits=Limits(room=2_400))
    plan = replace(plan, mix_ceilings=(round(100 * heard(plan, plan.stops[0].levels, 0)) + under,))
    start = settled(plan)
    ran = after(plan, Nudge(by=150, column=0), state=start)
    assert not ran.of(Refused)
    assert height(ran.state.steps[0] or OFF) > height(start.steps[0] or OFF)
    assert heard(plan, ran.state.steps, 0) <= (plan.mix_ceilings[0] or 0) / 100 + 1e-6


def test_recalling_knows_what_the_desk_has() -> None:
    """Falling back is gentle; a recall in mid-fade says every level again, and raises none faster than is allowed."""
    plan = replace(small_plan((-4_000, 0), (0, -4_000), fade_ns=4 * 10**9), limits=Limits(rise=5_000))
    start = settled(plan)
    begun = start.now + 10**9
    night = Night(plan=plan, events=((begun, wish(Next())), (begun + 10**8, wish(Recall()))))
    watched = Watched(plan)
    watched.state = start
    for at, event in night.events:
        watched.wait(at)
        watched.do(event, at)
    watched.wait(begun + 10**10)
    assert watched.state.asked[:2] == (0, -4_000)
    again = rest(plan, run(plan, [(watched.state.now + 1, wish(Recall()))], watched.state))
    assert {send for ask in again.asks for send, _ in ask.levels} == {0, 1}


def test_a_hush_is_down_for_all_of_a_mix_in_mid_fade_too() -> None:
    plan = small_plan((OFF, -600), (-600, OFF), fade_ns=4 * 10**9)
    start = settled(plan)
    begun = start.now + 10**9
    ran = run(plan, [(begun, wish(Next())), (begun + 2 * 10**8, wish(Hush()))], start)
    before = ran.state.asked
    state = run(plan, [(begun + 21 * 10**7, Wake())], ran.state).state
    assert all(height(new or OFF) <= height(old or OFF) for new, old in zip(state.asked[:2], before[:2], strict=True))
    assert rest(plan, Ran(state=state)).state.asked[:2] == (-2_600, OFF)


@given(st.lists(st.sampled_from((-2_000, -600, OFF)), min_size=4, max_size=4), st.booleans(), st.data())
def test_before_a_scene_was_recalled_no_wish_moves_what_the_desk_has(has: list[Level], reads: bool, data: Any) -> None:
    """The base would be a jump from wherever the desk stands: `less` might be louder, and a treadle leap."""
    wishes: tuple[Action, ...] = (
        Hush(),
        Nudge(by=-200, column=0),
        Nudge(by=100, column=0, room=True),
        NudgeRest(by=-200, column=0),
    )
    turn = Control(name="treadle", does={Gesture.TURN: Ride(low=-600, high=300, column=0)})
    pedal = Pedal(name="board", listener=0, controls=(turn,))
    plan = replace(four(), answers=Answers(each=True) if reads else Answers(), pedals=(pedal,))
    said = [(0, DeskSaid(send=send, level=level)) for send, level in enumerate(has)] if reads else []
    feet = [(at, Moved(pedal=0, control=0, value=data.draw(st.integers(0, 127)))) for at in (10, 12)]
    ran = run(plan, [(0, DeskCame()), *said, *((at, wish(one)) for at, one in enumerate(wishes, 1)), *feet])
    refused = [one for one in ran.of(Refused) if one.reason is not Reason.JITTER]
    assert {one.reason for one in refused} == {Reason.NOT_RECALLED} and len(refused) == len(wishes) + len(feet)
    assert not ran.of(Ask) and ran.state.wishes == begin(plan, 0).wishes and set(ran.state.wanted) == {None}


def test_room_has_a_bound_up_to_which_it_is_made() -> None:
    # The rest may come down 1 dB: from 3 x 0.2512 to 3 x 0.1995 = 0.5986 (-7 dB each); own keeps 0.4062, -3.91 dB.
    ran = after(four(room=100), Nudge(by=300, column=0, room=True), Nudge(by=300, column=0, room=True))
    assert ran.state.wanted[1:4] == (-700,) * 3
    assert ran.state.wanted[0] in (-391, -392)
    assert [one.reason for one in ran.of(Refused)] == [Reason.NO_ROOM]
    back = after(four(room=100), Nudge(by=-300, column=0), state=ran.state)
    assert back.state.wanted[:4] == (-600,) * 4


def test_room_is_never_made_by_switching_off() -> None:
    plan = four(levels=(-600, -3_990, -4_500, OFF), room=2_400)
    ran = after(plan, Nudge(by=300, column=0, room=True))
    assert ran.state.wanted[1:4] == (-3_990, -4_500, OFF)
    assert [one.reason for one in ran.of(Refused)] == [Reason.NO_ROOM]


# -- many at once -----------------------------------------------------------------------------------------


def test_the_rest_comes_down_and_the_own_input_stays() -> None:
    ran = after(four(), NudgeRest(by=-200, column=0))
    assert ran.state.wanted[:4] == (-600, -800, -800, -800)
    assert len(ran.of(Changed)) == 1


def test_a_group_keeps_its_balance_on_the_way_up() -> None:
    group = 4 + 1  # after four inputs and the whole mix
    plan = replace(four(levels=(-600, -600, -100, -400)), ceilings=(0,) * 5)
    ran = after(plan, Nudge(by=300, column=group), Nudge(by=300, column=group))
    assert ran.state.wanted[2:4] == (0, -300)
    assert [(one.reason, one.what) for one in ran.of(Refused)] == [(Reason.AT_CEILING, plan.send_name(2))]
    assert after(plan, Nudge(by=-300, column=group), state=ran.state).state.wanted[2:4] == (-100, -400)


def test_a_group_that_is_all_off_begins_at_the_floor_and_else_off_stays_off() -> None:
    group = 5
    assert after(four(levels=(-600, -600, OFF, OFF)), Nudge(by=300, column=group)).state.wanted[2:4] == (-4_000,) * 2
    assert after(four(levels=(-600, -600, OFF, -900)), Nudge(by=300, column=group)).state.wanted[2:4] == (OFF, -600)


@given(st.tuples(*[st.sampled_from((OFF, -4_000, -3_900, -3_700, -2_000, -600))] * 4), BY, st.integers(1, 14))
def test_what_presses_take_down_as_many_bring_back_and_no_further(
    levels: tuple[Level, ...], by: int, many: int
) -> None:
    """Each input returns with the press that takes back the one that turned it off, and not before."""
    plan = four(levels=levels)
    start = state = settled(plan)
    down = after(plan, *[Nudge(by=-abs(by), column=4)] * many)
    state = down.state
    for _ in range(many - len(down.of(Refused))):
        ran = after(plan, Nudge(by=abs(by), column=4), state=state)
        assert not ran.of(Refused)
        state = ran.state
        assert all(
            height(one or OFF) <= height(most or OFF) for one, most in zip(state.steps[:4], start.steps, strict=False)
        )
    assert state.steps == start.steps


HELD = ((-400,), (1_200,), (-600,))
"""The base, a song that its ceiling of 0 dB holds, and another one."""


def test_a_press_where_a_ceiling_holds_the_level_is_worth_no_more_elsewhere() -> None:
    plan = small_plan((-400,), *HELD, ceiling=0)
    less = after(plan, Nudge(by=-100), state=settled(plan, 2))
    assert less.state.wanted[0] == -100
    assert after(plan, Nudge(by=100), state=less.state).state.wanted[0] == 0
    there = after(plan, Next(), state=less.state)
    assert there.state.wanted[0] == -700
    assert after(plan, Nudge(by=100), state=there.state).state.wanted[0] == -600
    undone = after(plan, Undo(), state=less.state).state
    assert (undone.wanted[0], undone.nudges) == (0, settled(plan, 2).nudges)
    twice = after(plan, Nudge(by=-100), Nudge(by=-100), Next(), state=settled(plan, 2))
    assert twice.state.wanted[0] == -800


def test_a_hand_where_a_ceiling_holds_the_level_is_worth_no_more_elsewhere() -> None:
    plan = replace(small_plan((-400,), *HELD, ceiling=0), answers=Answers(reports=True))
    start = settled(plan, 2)
    ran = rest(plan, run(plan, [(start.now + 10**9, DeskSaid(send=0, level=-300))], start))
    assert ran.state.wanted[0] == -300
    assert after(plan, Next(), state=ran.state).state.wanted[0] == -900


def test_the_whole_mix_is_all_inputs_where_the_desk_has_no_level_of_it() -> None:
    assert after(four(), Nudge(by=-200, column=4)).state.wanted[:4] == (-800,) * 4


# -- a hush, and falling back -----------------------------------------------------------------------------


def test_a_hush_is_at_once_down_and_gently_back() -> None:
    plan = four()
    start = settled(plan)
    state, effects = step(plan, start, wish(Hush()), start.now + 10**9)
    assert state.wanted[:4] == (-2_600,) * 4
    assert [one.fade_ns for one in effects if isinstance(one, Changed)] == [0]
    back, effects = step(plan, rest(plan, Ran(state=state)).state, wish(Hush()), state.now + 10**10)
    assert back.wanted[:4] == (-600,) * 4
    assert [one.fade_ns for one in effects if isinstance(one, Changed)] == [plan.limits.gentle_ns]


SINGER, DRUMMER = 0, 2
"""The first input in the mixes of two listeners."""


@settings(max_examples=examples(60))
@given(
    st.integers(0, 12),
    st.lists(st.tuples(st.integers(0, 80), st.sampled_from((Hush(), Nudge(by=100), Nudge(by=-100)))), max_size=8),
    st.sampled_from((0, 10**9, 3 * 10**9)),
)
@example(4, [(5, Hush()), (10, Hush())], 3 * 10**9)
def test_a_hush_and_its_end_hold_up_no_other_mix(fades: int, presses: list[tuple[int, Action]], gentle: int) -> None:
    """At any time the drummer's mix is within a frame of where it is when the singer presses nothing."""
    fade_ns, limits = fades * 10**9 // 2, Limits(gentle_ns=gentle)
    plan = small_plan((-6_000, -6_000), (-1_000, -1_000), listeners=2, fade_ns=fade_ns, limits=limits)
    start = settled(plan)
    begun = start.now + 10**9
    alone = run(plan, [(begun, wish(Next(), "ada", 1))], start).state
    state = alone
    of_singer = {begun + at * 10**8: what for at, what in presses}
    frame = 5_000 * 20_000_000 // max(fade_ns, 1) + 1
    for at in range(begun, begun + 10**10, 10**8):
        alone = step(plan, alone, Wake(), at).state
        state = step(plan, state, wish(of_singer[at]) if at in of_singer else Wake(), at).state
        there, here = alone.asked[DRUMMER], state.asked[DRUMMER]
        assert isinstance(there, int) and isinstance(here, int)
        assert here == there if at >= begun + fade_ns + 40_000_000 else abs(here - there) <= frame
    assert rest(plan, Ran(state=state)).state.asked[:2] == state.steps[:2]


def test_a_mix_that_is_hushed_in_mid_fade_stays_down_whoever_presses() -> None:
    plan = small_plan((-6_000, -6_000), (-1_000, -1_000), listeners=2, fade_ns=4 * 10**9)
    start = settled(plan)
    begun = start.now + 10**9
    presses = {10: wish(Hush()), 15: wish(Nudge(by=100), "bob", 1), 20: wish(Nudge(by=100)), 30: wish(Undo())}
    state = run(plan, [(begun, wish(Next()))], start).state
    levels = []
    for at in range(1, 80):
        state = step(plan, state, presses.get(at, Wake()), begun + at * 10**8).state
        levels.append(height(state.asked[SINGER] or OFF))
    assert levels[10:38] == [levels[10]] * 28
    # Then it comes up to what a hush leaves of it, gently.
    assert levels[-1] == height(state.steps[SINGER] or OFF) == -3_000
    assert all(0 <= after - before <= 10**8 * 2_000 // plan.limits.gentle_ns for before, after in pairwise(levels[37:]))


@pytest.mark.parametrize("at_s", range(1, 8))
def test_a_mix_comes_back_gently_whenever_a_hush_ends(at_s: int) -> None:
    """It takes three seconds or more from where it is then: in a tenth of one at most a thirtieth of the way, but for
    the desk's steps of 0.1 dB."""
    plan = small_plan((-3_000, -3_000), (-1_000, -1_000), listeners=2, fade_ns=8 * 10**9)
    start = after(plan, Hush()).state
    begun = start.now + 10**9
    state = run(plan, [(begun, wish(Next()))], start).state
    levels = []
    for at in range(1, 130):
        event = wish(Hush()) if at == 10 * at_s else Wake()
        state = step(plan, state, event, begun + at * 10**8).state
        levels.append(height(state.asked[SINGER] or OFF))
    way = -1_000 - levels[10 * at_s - 2]
    assert all(0 <= after - before <= way / 30 + 12 for before, after in pairwise(levels[10 * at_s - 2 :]))
    assert levels[-1] == -1_000


def test_a_hush_holds_through_songs_and_nudges() -> None:
    plan = small_plan((-600, -900), (-700, -800))
    ran = after(plan, Hush(everyone=True), Next(), Nudge(by=100, column=1))
    assert ran.state.wanted[:2] == (-2_700, -2_700)
    assert after(plan, Hush(everyone=True), state=ran.state).state.wanted[:2] == (-700, -700)


def test_falling_back_clears_nudges_and_keeps_the_place() -> None:
    plan = small_plan((-600, -900), (-700, -800), (-1_000, -1_000))
    ran = after(plan, Next(), Nudge(by=100, column=0), FallBack())
    assert ran.state.wanted[:2] == (-600, -900)
    assert ran.state.place.stop == 1
    assert after(plan, Undo(), state=ran.state).state.wanted[:2] == (-600, -800)
    assert after(plan, Next(), state=ran.state).state.wanted[:2] == (-1_000, -1_000)


# -- how long a nudge lasts, and undo ---------------------------------------------------------------------


def test_a_nudge_for_the_section_ends_with_it() -> None:
    plan = small_plan((-600,), (-700,), (-800,))
    sections = tuple(replace(stop, song=min(stop.song, 0)) for stop in plan.stops)
    plan = replace(plan, stops=sections)
    ran = after(plan, Next(), Nudge(by=100, column=0, lasts=Lasts.SECTION), Nudge(by=200, column=0, lasts=Lasts.SONG))
    assert ran.state.wanted[0] == -400
    ran = after(plan, Next(), state=ran.state)
    assert ran.state.wanted[0] == -600
    assert after(plan, Undo(), state=ran.state).state.wanted[0] == -400


@settings(max_examples=examples(12))
@given(plans(), st.data())
def test_undo_after_any_fifty_actions_restores_exactly(plan: Plan, data: st.DataObject) -> None:
    """All within the time in which a step to another stop is taken back."""
    start = settled(plan)
    pressed = data.draw(st.lists(actions(sizes_of(plan), undoable=True), min_size=50, max_size=50))
    state = start
    for action in pressed:
        state = step(plan, state, wish(action), state.now + plan.limits.settle_ns).state
    for _ in range(51):
        state, effects = step(plan, state, wish(Undo()), state.now + 10**8)
        if any(isinstance(one, Refused) and one.reason is Reason.NOTHING_TO_UNDO for one in effects):
            break
    assert state.wishes == start.wishes
    assert rest(plan, Ran(state=state)).state.steps == start.steps


# -- how fast ---------------------------------------------------------------------------------------------


def test_a_rise_takes_its_time_and_a_fall_takes_none() -> None:
    """12 dB at 50 dB a second, of which 60 ms are at once: (12 - 3) / 50 s, to the next frame."""
    plan = replace(small_plan((-1_800, -600), (-600, -1_800)), limits=Limits(rise=5_000))
    start = settled(plan)
    begun = start.now + 10**9
    ran = rest(plan, run(plan, [(begun, wish(Next()))], start))
    told = [(ask.at - begun, send, level) for ask in ran.asks for send, level in ask.levels]
    assert [(send, level) for _, send, level in told if send == 1] == [(1, -1_800)]
    assert told[0][1] == 1
    rises = [(at, level) for at, send, level in told if send == 0]
    assert height(rises[0][1]) <= -1_500
    assert rises[-1][1] == -600
    assert 180 * 10**6 <= rises[-1][0] <= 220 * 10**6


# -- everything at once -----------------------------------------------------------------------------------


class Machine(RuleBasedStateMachine):
    """Random layers, presses, hands on the desk, a desk that goes, crashes, and replays of what happened."""

    @initialize(night=nights(max_events=3))
    def start(self, night: Night) -> None:
        self.plan = night.plan
        self.watched = Watched(self.plan)
        self.now = self.begun = 0
        self.happened: list[tuple[int, Event]] = []
        for at, event in night.events:
            self._do(event, at - self.now)

    def _do(self, event: Event, gap: int) -> None:
        self.now += gap
        self.watched.wait(self.now)
        self.watched.do(event, self.now)
        self.happened.append((self.now, event))

    @rule(gap=GAPS, data=st.data())
    def happens(self, gap: int, data: st.DataObject) -> None:
        self._do(data.draw(happenings(self.plan)), gap)

    @rule(gap=GAPS, data=st.data())
    def pressed(self, gap: int, data: st.DataObject) -> None:
        self._do(Wanted(action=data.draw(actions(sizes_of(self.plan))), who="ada", listener=0), gap)

    @rule(gap=GAPS)
    def crashes(self, gap: int) -> None:
        """What the program knew is gone; the desk keeps what it has."""
        self.now += gap
        self.begun = self.now
        self.watched = Watched(self.plan, self.now)
        self.happened = []
        self._do(DeskCame(), 0)

    @rule()
    def replayed(self) -> None:
        again = Watched(self.plan, self.begun)
        for at, event in self.happened:
            again.do(event, at)
        assert again.state == self.watched.state

    @invariant()
    def each_send_is_below_its_ceiling(self) -> None:
        if hasattr(self, "plan"):
            for send, step_ in enumerate(self.watched.state.steps):
                assert height(OFF if step_ is None else step_) <= self.plan.ceilings[send]


TestMachine = Machine.TestCase
TestMachine.settings = settings(max_examples=examples(15), stateful_step_count=25)
