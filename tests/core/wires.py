"""Judging what leaves for the desk: in what order, and whether the wire can carry it."""

from __future__ import annotations

from collections.abc import Iterable

from stagectl.core.effects import Ask, Effect, RecallStored
from stagectl.core.levels import Level
from stagectl.core.plan import Plan


def flat(asks: Iterable[Ask]) -> list[tuple[int, Level]]:
    """The levels asked for, one after the other."""
    return [told for ask in asks for told in ask.levels]


def wire_ns(plan: Plan, effect: Ask | RecallStored) -> int:
    """How long an order takes on the wire, ns."""
    if isinstance(effect, RecallStored):
        return plan.link.recall_ns
    return sum(plan.takes(send) for send, _ in effect.levels)


def keeps_the_budget(plan: Plan, effects: Iterable[Effect]) -> None:
    """Over every window, the messages need no longer on the wire than the window and the burst, or than the window
    and one message where a burst has no room for one.

    What the link has not carried yet, taken over all starts of the window at once, is what a bucket holds
    that runs out at the link's speed. A stored scene is recalled at once; what follows waits for it.
    """
    waiting, last = 0, 0
    for effect in effects:
        if isinstance(effect, Ask | RecallStored):
            assert effect.at >= last
            waiting = max(0, waiting - (effect.at - last)) + wire_ns(plan, effect)
            last = effect.at
            if isinstance(effect, Ask):
                assert waiting <= max(plan.link.burst_ns, *(plan.takes(send) for send, _ in effect.levels))
