"""From what people have asked for to the levels that the desk should have.

Each send by itself: scene, nudges, ride, its own ceiling (`nudges.py`). Then each mix as a whole: the ceiling of its
sum (`mixes.py`), and a hush, which takes down the whole mix where the show drives it, and all of its inputs where it
does not. What nobody has touched is worked out before the night (`rest.py`).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from msgspec import Struct
from msgspec.structs import replace

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
    some = dict.fromkeys(wishes.rides)
    for kept in wishes.nudges:
        for send, nudge in kept.items():
            if nudge.shift or nudge.lift is not None:
                some[send] = None
    return some


class Aimed(Struct, frozen=True):
    """A listener's mix as it should be. `mix`: before a hush; `wanted`, `steps`: after it."""

    mix: Mix
    wanted: Row
    steps: Row


def aimed(plan: Plan, listener: int, wishes: Wishes, base: Levels, rest: Mix, sends: Iterable[int]) -> Aimed:
    """A listener's mix. `rest`: the same with nobody's nudges; `sends`: those that a nudge or a ride changes."""
    first = plan.mixes[listener].start
    levels = {send - first: target_of(plan, send, wishes, base) for send in sends}
    mix = changed(plan, listener, rest, levels, wishes.above.get(listener, 0))
    if listener not in wishes.hushed:
        return Aimed(mix, mix.wanted, mix.steps)
    wanted = hushed(mix.wanted, plan.limits.hush)
    return Aimed(mix, wanted, [plan.in_steps(first + column, level) for column, level in enumerate(wanted)])


def hushed(row: Row, by: int) -> Row:
    """A mix taken down."""
    if isinstance(row[-1], int):
        return [*row[:-1], lowered(row[-1], by)]
    return [lowered(level, by) for level in row]


def mixes_at(plan: Plan, whose: Iterable[int], wishes: Wishes) -> dict[int, Aimed]:
    """Some listeners' mixes at the place of the wishes."""
    mine: dict[int, list[int]] = {listener: [] for listener in whose}
    for send in touched(wishes):
        if (listener := send // plan.width) in mine:
            mine[listener].append(send)
    base, rest = scene_levels(plan, wishes.place), rest_at(plan, wishes.place)
    return {
        listener: aimed(plan, listener, wishes, base, rest.mixes[listener], sends) for listener, sends in mine.items()
    }


def mix_at(plan: Plan, listener: int, wishes: Wishes) -> Aimed:
    """A listener's mix at the place of the wishes."""
    width = plan.width
    sends = [send for send in touched(wishes) if send // width == listener]
    base, rest = scene_levels(plan, wishes.place), rest_at(plan, wishes.place)
    return aimed(plan, listener, wishes, base, rest.mixes[listener], sends)


class Aims(Struct, frozen=True):
    """The exact levels of all sends, and the desk's steps. `held`: the listeners whose mixes their ceilings hold lower;
    `of`: those whose mixes may differ from what they were; None: any."""

    wanted: Levels
    steps: Levels
    held: frozenset[int]
    of: tuple[int, ...] | None = None


def aims(plan: Plan, wishes: Wishes) -> Aims:
    """What the desk should have."""
    rest = rest_at(plan, wishes.place)
    whose = sorted(wishes.hushed.union(wishes.above, (send // plan.width for send in touched(wishes))))
    return aims_with(plan, Aims(rest.wanted, rest.steps, rest.held), mixes_at(plan, whose, wishes))


def aims_with(plan: Plan, now: Aims, mixes: Mapping[int, Aimed], of: tuple[int, ...] | None = None) -> Aims:
    """The same with some listeners' mixes. `of`: as in `Aims`."""
    if not mixes:
        return replace(now, of=of)
    wanted, steps, held = list(now.wanted), list(now.steps), set(now.held)
    for listener, one in mixes.items():
        mix = plan.mixes[listener]
        wanted[mix], steps[mix] = one.wanted, one.steps
        if one.mix.held:
            held.add(listener)
        else:
            held.discard(listener)
    return Aims(tuple(wanted), tuple(steps), frozenset(held), of)
