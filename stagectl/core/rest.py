"""Every stop's levels with nobody's nudges, worked out once before the night."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from msgspec import Struct

from stagectl.core.levels import Level
from stagectl.core.mixes import Power, Row, held_by, lowered, most_of, power_of, total

if TYPE_CHECKING:
    from stagectl.core.plan import Levels, Plan


class Mix(Struct, frozen=True):
    """A listener's mix, by column: its exact levels and the desk's steps of them. `row`: the levels before the ceiling
    of the mix; `held`: by how much that holds the inputs lower; `power`: what the steps of the inputs come to; `most`:
    what they may come to, if anything bounds them."""

    row: Row
    wanted: Row
    steps: Row
    held: int
    power: Power
    most: Power | None


def mix_of(plan: Plan, listener: int, row: Row, above: int = 0) -> Mix:
    """A mix with these levels, each at or below its own ceiling, under the ceiling of the mix. `above`: how far its
    whole mix is above 0 dB where the show does not drive it."""
    first = plan.send(listener, 0)
    steps: Row = [plan.in_steps(first + column, level) for column, level in enumerate(row)]
    most = most_of(plan.mix_ceilings[listener], above if steps[-1] is None else steps[-1])
    power = total(steps[:-1])
    if most is None or power <= most:
        return Mix(row, row, steps, 0, power, most)

    inputs, whole, whole_step = row[:-1], row[-1], steps[-1]

    def stepped(by: int) -> Row:
        return [plan.in_steps(first + column, lowered(level, by)) for column, level in enumerate(inputs)]

    held = held_by(lambda by: total(stepped(by)), power, most)
    wanted, told = [lowered(level, held) for level in inputs], stepped(held)
    return Mix(row, [*wanted, whole], [*told, whole_step], held, total(told), most)


def changed(plan: Plan, listener: int, mix: Mix, levels: Mapping[int, Level | None], above: int = 0) -> Mix:
    """A mix in which some columns have other levels. `above`: as in `mix_of`; `mix` has it at 0."""
    row = list(mix.row)
    for column, level in levels.items():
        row[column] = level
    if mix.held or above or len(row) - 1 in levels:
        return mix_of(plan, listener, row, above)
    steps, power, first = list(mix.steps), mix.power, plan.mixes[listener].start
    for column, level in levels.items():
        step = plan.in_steps(first + column, level)
        power += power_of(step) - power_of(steps[column])
        steps[column] = step
    if mix.most is not None and power > mix.most:
        return mix_of(plan, listener, row)
    return Mix(row, row, steps, 0, power, mix.most)


class Rest(Struct, frozen=True):
    """All mixes of a place: exact levels, the desk's steps, each mix, and the listeners whose mixes are held lower."""

    wanted: Levels
    steps: Levels
    mixes: tuple[Mix, ...]
    held: frozenset[int]


def rest_of(plan: Plan, bounded: Levels, seen: dict[tuple[Level | None, ...], Mix] | None = None) -> Rest:
    """The levels of a place, each at or below its own ceiling, under the ceilings of the mixes. `seen`: mixes that were
    worked out before, for places that share them."""
    seen = {} if seen is None else seen
    mixes = []
    for listener in range(len(plan.listeners)):
        row = bounded[plan.send(listener, 0) : plan.send(listener + 1, 0)]
        # The same levels under other ceilings are another mix.
        key = (listener, *row)
        mix = seen.get(key)
        if mix is None:
            mix = seen[key] = mix_of(plan, listener, list(row))
        mixes.append(mix)
    return Rest(
        wanted=tuple(level for mix in mixes for level in mix.wanted),
        steps=tuple(level for mix in mixes for level in mix.steps),
        mixes=tuple(mixes),
        held=frozenset(listener for listener, mix in enumerate(mixes) if mix.held),
    )
