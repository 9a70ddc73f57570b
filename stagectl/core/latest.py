"""What of a step's orders is worth its time on the wire, where the loop was late and much came due at once."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import takewhile

from msgspec.structs import replace

from stagectl.core.effects import Ask, Effect, Lit, Order, RecallStored
from stagectl.core.levels import height
from stagectl.core.plan import Levels


def latest(effects: Sequence[Effect], asked: Levels) -> list[Order]:
    """The orders of a step, with only the last level of each send, and only the last value of each lamp. `asked`: what
    the desk was asked for before it. What nobody knew is told in its own turn as well: others wait for it.

    Each bunch of a fade fits under the ceiling of its mix by itself; what is left of several does so where everything
    that falls is told first.
    """
    orders = [effect for effect in effects if isinstance(effect, Order)]
    if len(orders) < 2:
        return orders
    shown = {(lit.pedal, lit.lamp): lit for lit in orders if isinstance(lit, Lit)}
    orders = [order for order in orders if not isinstance(order, Lit) or shown[order.pedal, order.lamp] is order]
    asks = [order for order in orders if isinstance(order, Ask)]
    if len(asks) < 2:
        return orders
    last = {send: at for at, ask in enumerate(asks) for send, _ in ask.levels}
    first_of = {send: at for at, ask in [*enumerate(asks)][::-1] for send, _ in ask.levels if asked[send] is None}
    kept = [
        replace(ask, levels=tuple(one for one in ask.levels if at in (last[one[0]], first_of.get(one[0]))))
        for at, ask in enumerate(asks)
    ]
    # A scene of the desk's own brings other levels, which nobody knows yet.
    first = sum(isinstance(order, Ask) for order in takewhile(lambda one: not isinstance(one, RecallStored), orders))
    falls = {
        send: level
        for ask in kept[:first]
        for send, level in ask.levels
        if (was := asked[send]) is not None and height(level) < height(was)
    }
    rest = [replace(ask, levels=tuple(one for one in ask.levels if one[0] not in falls)) for ask in kept]
    rest[0] = replace(rest[0], levels=(*falls.items(), *rest[0].levels))
    told = iter(rest)
    return [next(told) if isinstance(order, Ask) else order for order in orders]
