"""What is left of a step in which much came due at once: everything that counts, and no mix above its ceiling on the
way there."""

from __future__ import annotations

import math

from depth import examples
from hypothesis import given, settings
from hypothesis import strategies as st
from shows import Night, nights

from stagectl.core.effects import Ask, Effect, Lit, Reason, RecallStored, Refused
from stagectl.core.events import DeskCame, DeskSaid, Event, Wake
from stagectl.core.latest import latest
from stagectl.core.levels import OFF, Level, Off, height
from stagectl.core.plan import Levels, Plan
from stagectl.core.state import begin
from stagectl.core.step import next_wake, step

STALLS_NS = st.integers(0, 2 * 10**9)


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


@settings(max_examples=examples(50))
@given(nights(), STALLS_NS)
def test_what_a_late_loop_tells_keeps_every_mix_below_its_ceiling(night: Night, stall_ns: int) -> None:
    """The loop stands still again and again, and then does all that came due."""
    plan, state = night.plan, begin(night.plan, 0)
    late: list[Effect] = []
    asked, since = state.asked, 0

    def do(event: Event, at: int) -> None:
        nonlocal state, asked, since
        # What the desk itself says changes what it stands at.
        if isinstance(event, DeskSaid | DeskCame) or at - since > stall_ns:
            kept_below(plan, asked, late)
            late.clear()
            asked, since = state.asked, at
        state, effects = step(plan, state, event, at)
        late.extend(effects)
        if isinstance(event, DeskSaid | DeskCame):
            late.clear()
            asked = state.asked

    for at, event in night.events:
        while (due := next_wake(state)) is not None and due <= at:
            do(Wake(), due)
        do(event, at)
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
