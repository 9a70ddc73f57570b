"""Which planted bugs are caught at one place together: each is also played without a bug, so few are less to play.

Only places of one night are put together. A bug is tried where at least the inputs of its own place are; then the
places that are worth least are given up, as long as there is less to play without them.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from typing import Final, TypeAlias

from .planted_tries import NOT_CAUGHT, Place, Task, inputs_at, tries
from .play import as_text
from .runner import Shows

NIGHT_STEPS: Final = 60
"""What it takes to begin and end a night, in steps."""

Costs: TypeAlias = dict[Place, dict[str, int]]
"""Steps until each bug is caught, by place."""


def share(found: Mapping[str, Place], cores: int, shows: Shows) -> dict[str, Place]:
    """Where bugs are caught with the least to play, given where each is caught now."""
    nights: dict[tuple[int, int], dict[str, Place]] = defaultdict(dict)
    for name, place in found.items():
        nights[place.seed, place.night][name] = place
    out: dict[str, Place] = {}
    for here in nights.values():
        out |= _of_a_night(here, cores, shows) if len(set(here.values())) > 1 else here
    return out


def _of_a_night(found: Mapping[str, Place], cores: int, shows: Shows) -> dict[str, Place]:
    own = dict.fromkeys(found.values())
    whole = next(iter(own))._replace(only=as_text(sorted(frozenset().union(*map(inputs_at, own)))))
    alone = {}
    for task, came in tries([place.task(None) for place in {**own, whole: None}], cores, shows):
        if came.says == NOT_CAUGHT:
            alone[_place(task)] = came.steps + NIGHT_STEPS
    tasks = [place.task(name) for place in alone for name, its in found.items() if inputs_at(place) >= inputs_at(its)]
    costs: Costs = {place: {} for place in alone}
    for task, came in tries(tasks, cores, shows):
        if came.rule is not None and task.name is not None:
            costs[_place(task)][task.name] = came.steps
    return _chosen(costs, alone, {name: place for name, place in found.items() if name in costs.get(place, {})})


def _place(task: Task) -> Place:
    assert task.only is not None
    return Place(task.seed, task.nights[0], task.only)


def _chosen(costs: Costs, alone: Mapping[Place, int], found: Mapping[str, Place]) -> dict[str, Place]:
    """Give up one place after the other, as long as that is less to play."""
    left = [*costs]
    while True:
        ways = [[one for one in left if one != place] for place in left]
        fit = [some for some in ways if all(any(name in costs[one] for one in some) for name in found)]
        best = min(fit, key=lambda some: _steps(costs, alone, some, found), default=left)
        if best is left or _steps(costs, alone, best, found) >= _steps(costs, alone, left, found):
            return {name: _best(costs, left, name) for name in found}
        left = best


def _best(costs: Costs, some: list[Place], name: str) -> Place:
    return min((one for one in some if name in costs[one]), key=lambda one: (costs[one][name], one))


def _steps(costs: Costs, alone: Mapping[Place, int], some: list[Place], found: Mapping[str, Place]) -> int:
    """What there is to play, with some places."""
    return sum(alone[one] for one in some) + sum(costs[_best(costs, some, name)][name] for name in found)
