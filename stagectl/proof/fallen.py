"""Falling back, as the proof sees it: a scene of its own that sets every send to the base's level.

It is laid over a stop and taken off like any scene; and each scene of the show may lie over it in turn. So a plan whose
feet can fall back is proved with these scenes behind its own.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from msgspec.structs import replace

from stagectl.core.actions import Action, FallBack
from stagectl.core.plan import Layer, Plan, Scene, SetTo
from stagectl.core.state import Place

BASE: Final = "the base"
"""What the scene of falling back is called."""


def with_fall_back(plan: Plan) -> Plan:
    """The plan with the scenes of falling back, if any foot can."""
    if not falls_back(plan):
        return plan
    base: Layer = tuple((send, SetTo(level)) for send, level in enumerate(plan.stops[0].levels) if level is not None)
    gentle = plan.limits.gentle_ns
    over = tuple(Scene(name=one.name, layer=(*base, *one.layer), fade_ns=one.fade_ns) for one in plan.scenes)
    return replace(plan, scenes=(*plan.scenes, Scene(name=BASE, layer=base, fade_ns=gentle), *over))


def falls_back(plan: Plan) -> bool:
    """Whether any foot can."""
    return any(isinstance(action, FallBack) for action in actions_of(plan))


def fallen(plan: Plan) -> int:
    """The scene of falling back, in a plan that has it: behind the show's own, before as many that lie over it."""
    return len(plan.scenes) // 2


def as_scene(place: Place, shown: int) -> Place:
    """A place of the night as the proof names it; `shown`: how many scenes the show has itself."""
    if not place.base:
        return place
    return Place(stop=place.stop, scene=shown if place.scene is None else shown + 1 + place.scene)


def actions_of(plan: Plan) -> Iterator[Action]:
    """Every action that any foot can do anywhere."""
    for pedal in plan.pedals:
        yield from (action for control in pedal.controls for action in control.does.values())
        yield from (pair.does for pair in pedal.pairs)
        yield from (action for layer in pedal.layers for does in layer.does.values() for action in does.values())
    yield from (action for stop in plan.stops for does in stop.does.values() for action in does.values())
