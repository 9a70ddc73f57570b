"""From what people have asked for to the levels that the desk should have.

Each send by itself: scene, nudges, ride, its own ceiling (`nudges.py`). Then each mix as a whole: the ceiling of its
sum (`mixes.py`), and a hush, which takes down the whole mix where the show drives it, and all of its inputs where it
does not. What nobody has touched is worked out before the night (`rest.py`).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import NamedTuple

from stagectl.core.levels import Level
from stagectl.core.mixes import Row, lowered
from stagectl.core.nudges import target
from stagectl.core.plan import LAID_MAX, Levels, Plan, layered
from stagectl.core.rest import Mix, Rest, changed, rest_of
from stagectl.core.state import Place, Wishes


def scene_levels(plan: Plan, place: Place) -> Levels:
    """The levels of a place before nudges and ceilings."""
    levels = plan.stops[0 if place.base else place.stop].levels
    return levels if place.scene is None else layered(levels, plan.scenes[place.scene].layer)


def rest_at(plan: Plan, place: Place) -> Rest:
    """The levels of a place with nobody's nudges."""
    stop = 0 if place.base else place.stop
    if place.scene is None:
        return plan.rests[stop]
    rest = plan.laid.get((stop, place.scene))
    if rest is None:
        if len(plan.laid) >= LAID_MAX:
            plan.laid.clear()
        rest = plan.laid[stop, place.scene] = rest_of(plan, plan.bound(scene_levels(plan, place)))
    return rest


def target_of(plan: Plan, send: int, wishes: Wishes, base: Levels) -> Level | None:
    """The exact level that a send by itself should have, before the mix counts as a whole."""
    bounds = plan.bounds[send]
    if bounds is None:
        return None
    return target(base[send], send, wishes.nudges, wishes.rides.get(send, 0), bounds)


def touched(wishes: Wishes) -> Mapping[int, None]:
    """The sends that any nudge or ride changes, in an order that does not depend on chance."""
    some = {send: None for kept in wishes.nudges for send, nudge in kept.items() if not nudge.nothing}
    return some | dict.fromkeys(wishes.rides)


class Aimed(NamedTuple):
    """A listener's mix as it should be. `mix`: before a hush; `wanted`, `steps`: after it."""

    mix: Mix
    wanted: Row
    steps: Row


def aimed(plan: Plan, listener: int, wishes: Wishes, base: Levels, rest: Mix, sends: Iterable[int]) -> Aimed:
    """A listener's mix. `rest`: the same with nobody's nudges; `sends`: those that a nudge or a ride changes."""
    first = plan.send(listener, 0)
    mix = changed(plan, listener, rest, {send - first: target_of(plan, send, wishes, base) for send in sends})
    if listener not in wishes.hushed:
        return Aimed(mix, mix.wanted, mix.steps)
    wanted = hushed(mix.wanted, plan.limits.hush)
    return Aimed(mix, wanted, [plan.in_steps(first + column, level) for column, level in enumerate(wanted)])


def hushed(row: Row, by: int) -> Row:
    """A mix taken down."""
    if isinstance(row[-1], int):
        return [*row[:-1], lowered(row[-1], by)]
    return [lowered(level, by) for level in row]


def mix_at(plan: Plan, listener: int, wishes: Wishes) -> Aimed:
    """A listener's mix at the place of the wishes."""
    sends = [send for send in touched(wishes) if send // plan.width == listener]
    base, rest = scene_levels(plan, wishes.place), rest_at(plan, wishes.place)
    return aimed(plan, listener, wishes, base, rest.mixes[listener], sends)


class Aims(NamedTuple):
    """The exact levels of all sends, and the desk's steps. `held`: the listeners whose mixes their ceilings hold lower;
    `of`: those whose mixes may differ from what they were; None: any."""

    wanted: Levels
    steps: Levels
    held: frozenset[int]
    of: Mapping[int, None] | None = None


def aims(
    plan: Plan,
    wishes: Wishes,
    of: Mapping[int, None] | None = None,
    now: Aims | None = None,
    mix: Aimed | None = None,
) -> Aims:
    """What the desk should have. `of`, `now`: only what was wished for some listeners has changed since; `mix`: the mix
    of the only one, where it is worked out already."""
    place = wishes.place
    if mix is not None and of is not None and now is not None:
        (listener,) = of
        first, end = plan.send(listener, 0), plan.send(listener + 1, 0)
        wanted = (*now.wanted[:first], *mix.wanted, *now.wanted[end:])
        held = now.held | {listener} if mix.mix.held else now.held - {listener}
        return Aims(wanted, (*now.steps[:first], *mix.steps, *now.steps[end:]), held, of)
    mine: dict[int, list[int]] = {listener: [] for listener in (sorted(wishes.hushed) if of is None else of)}
    for send in touched(wishes):
        listener = send // plan.width
        if of is None or listener in of:
            mine.setdefault(listener, []).append(send)
    rest = rest_at(plan, place)
    start = Aims(rest.wanted, rest.steps, rest.held) if now is None else now
    if not mine:
        return start
    base = scene_levels(plan, place)
    all_wanted, all_steps, all_held = list(start.wanted), list(start.steps), set(start.held)
    for listener, sends in mine.items():
        first = plan.send(listener, 0)
        one = aimed(plan, listener, wishes, base, rest.mixes[listener], sends)
        all_wanted[first : first + plan.width] = one.wanted
        all_steps[first : first + plan.width] = one.steps
        (all_held.add if one.mix.held else all_held.discard)(listener)
    return Aims(tuple(all_wanted), tuple(all_steps), frozenset(all_held), of)
