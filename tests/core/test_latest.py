"""What is left of a step in which much came due at once: everything that counts, and no mix above its ceiling on the
way there."""

from __future__ import annotations

import math

from depth import examples
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace
from shows import small_plan, wish

from stagectl.core.actions import GoTo, Next
from stagectl.core.effects import Ask, Effect, Lit, Reason, RecallStored, Refused
from stagectl.core.events import DeskCame, Event, Wake
from stagectl.core.latest import latest
from stagectl.core.levels import OFF, Level, Off, height
from stagectl.core.plan import Levels, Plan
from stagectl.core.state import begin
from stagectl.core.step import next_wake, step

LOUD = st.lists(st.one_of(st.integers(-1_800, -300), st.just(OFF)), min_size=4, max_size=4)
FADES_NS = st.integers(20, 1_000).map(lambda ms: ms * 10**6)


def comes_to(plan: Plan, levels: list[Level | None], listener: int) -> float:
    """What a mix comes to at the ear, dB: 10·log10 Σ 10^(L/10) of its inputs, and its own level on top."""
    row = levels[plan.send(listener, 0) : plan.send(listener + 1, 0)]
    if row[-1] is OFF:
        return -math.inf
    powers = math.fsum(10 ** (one / 1_000) for one in row[:-1] if isinstance(one, int))
    return 10 * math.log10(powers or 1e-99) + (row[-1] if isinstance(row[-1], int) else 0) / 100


def kept_below(plan: Plan, asked: Levels, effects: list[Effect]) -> None:
    """No message that raises a level takes a mix above its ceiling, and the desk ends where it would have."""
    levels, end = list(asked), list(asked)
    for effect in effects:
        if isinstance(effect, RecallStored):
            end = [None] * len(end)
        if isinstance(effect, Ask):
            for send, level in effect.levels:
                end[send] = level
    for order in latest(effects, asked):
        if isinstance(order, RecallStored):
            levels = [None] * len(levels)
        for send, level in order.levels if isinstance(order, Ask) else ():
            listener = plan.listener_of(send)
            ceiling, before = plan.mix_ceilings[listener], levels[send]
            levels[send] = level
            mix = levels[plan.send(listener, 0) : plan.send(listener, plan.whole)]
            if ceiling is not None and None not in mix and before is not None and height(level) > height(before):
                assert comes_to(plan, levels, listener) <= ceiling / 100 + 1e-6, plan.send_name(send)
    assert levels == end


@settings(max_examples=examples(200))
@given(LOUD, LOUD, FADES_NS, st.integers(20, 1_000))
def test_what_a_late_loop_tells_keeps_the_mix_below_its_ceiling(
    one: list[Level | None], other: list[Level | None], fade_ns: int, stall_ms: int
) -> None:
    """From one loud scene to another: the loop stands still in the fade, and then does all that came due."""
    plan = replace(small_plan(one, other, fade_ns=fade_ns), mix_ceilings=(-300,))
    state = begin(plan, 0)
    late: list[Effect] = []

    def do(event: Event, at: int) -> None:
        nonlocal state
        state, effects = step(plan, state, event, at)
        late.extend(effects)

    do(DeskCame(), 0)
    do(wish(GoTo(stop=0), who="the start", listener=None), 0)
    while (due := next_wake(state)) is not None:
        do(Wake(), due)
    stands = 10**9
    do(wish(Next()), stands)
    late.clear()
    asked = state.asked
    while (due := next_wake(state)) is not None:
        if due > stands + stall_ms * 10**6:
            kept_below(plan, asked, late)
            late.clear()
            asked, stands = state.asked, due
        do(Wake(), due)
    kept_below(plan, asked, late)


def ask(*levels: tuple[int, int | Off]) -> Ask:
    """A bunch."""
    return Ask(at=0, press=1, levels=levels)


def test_the_last_level_of_each_send_is_told_and_what_falls_first() -> None:
    effects: list[Effect] = [ask((0, -900), (1, -500)), ask((0, -800)), ask((2, OFF), (1, -700))]
    told = [one for order in latest(effects, (-1_000, -400, -600)) if isinstance(order, Ask) for one in order.levels]
    assert told == [(2, OFF), (1, -700), (0, -800)]


def test_nothing_is_moved_over_a_scene_of_the_desks_own() -> None:
    stored = RecallStored(at=0, press=1, number=1)
    effects: list[Effect] = [ask((0, -900)), stored, ask((1, -700))]
    assert latest(effects, (-1_000, -400)) == effects


def test_the_last_value_of_each_lamp_is_told() -> None:
    lits: list[Effect] = [Lit(at=at, pedal=pedal, lamp=0, value=at) for at in (0, 10, 20) for pedal in (0, 1)]
    refused = Refused(at=0, press=0, who="ada", reason=Reason.LAST)
    assert latest([refused, *lits], ()) == lits[-2:]
