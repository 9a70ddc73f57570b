"""Nudges: what a player's own wish does to a level, with nothing wound up at a limit.

A send's level is its scene level B, shifted by every nudge that lasts, held at or below the ceiling and the
desk's highest step:

- B a number: B + shifts. A nudge that goes below the nudge floor arrives at `off`; it does so per song,
  from the numbers, so that the same nudge over a louder B is simply quieter.
- B `off`: stays `off` until somebody nudges up; then it starts at the floor, and the *lift* above the
  floor is the nudge. Nudging below the floor is `off` again: no lift, or less than none in sum.

The shift that is kept is always the one that was heard: at a limit it stops where the level stopped.
A press that a coarse desk could not show takes the level one step on; the next press of the same size the
other way takes back exactly what that one gave, which the trail remembers, unless a limit holds the level now:
then it moves from where the limit holds it, so that the whole press is heard.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Final, TypeAlias

from stagectl.core.actions import Lasts
from stagectl.core.effects import Reason
from stagectl.core.grid import Grid
from stagectl.core.levels import OFF, Level, Off, height
from stagectl.core.plan import Limits

TRAIL_MAX: Final = 64
"""Presses that a press in the other direction takes back exactly; before them plain arithmetic serves."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Nudge:
    """What was nudged: `shift` counts where the scene has a level, `lift` (above the floor) where it is off.
    `trail`: the last presses, each as (by, shift before, lift before)."""

    shift: int = 0
    lift: int | None = None
    trail: tuple[tuple[int, int, int | None], ...] = ()

    @property
    def nothing(self) -> bool:
        """Whether it changes nothing."""
        return self.shift == 0 and self.lift is None


NONE: Final = Nudge()

Nudges: TypeAlias = tuple[Mapping[int, Nudge], ...]
"""For each of `Lasts`, the nudges by send."""


def no_nudges() -> Nudges:
    """Nobody has nudged anything."""
    return tuple(MappingProxyType({}) for _ in Lasts)


def with_nudge(nudges: Nudges, lasts: Lasts, send: int, nudge: Nudge) -> Nudges:
    """The nudges with one of them replaced; one that changes nothing and has no trail is forgotten."""
    changed = dict(nudges[lasts.value])
    if nudge.nothing and not nudge.trail:
        changed.pop(send, None)
    else:
        changed[send] = nudge
    return tuple(MappingProxyType(changed) if at == lasts.value else kept for at, kept in enumerate(nudges))


def without(nudges: Nudges, lasts: Lasts) -> Nudges:
    """The nudges without those that last only so long."""
    if not nudges[lasts.value]:
        return nudges
    return tuple(MappingProxyType({}) if at == lasts.value else kept for at, kept in enumerate(nudges))


def touched(nudges: Nudges) -> frozenset[int]:
    """The sends that any nudge changes."""
    return frozenset(send for kept in nudges for send, nudge in kept.items() if not nudge.nothing)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bounds:
    """What bounds one send: its ceiling (hundredths of a dB), the desk's grid, and the rig's limits."""

    ceiling: int
    grid: Grid
    limits: Limits

    @property
    def top(self) -> int:
        """The highest level that this send ever gets."""
        return min(self.ceiling, self.grid.highest)


def target(base: Level | None, send: int, nudges: Nudges, ride: int, bounds: Bounds) -> Level | None:
    """The exact level that a send should have: nudged, and bounded. None where the show does not drive it."""
    if base is None:
        return None
    floor = bounds.limits.nudge_floor
    if isinstance(base, Off):
        lifts = [kept[send].lift for kept in nudges if send in kept]
        given = [lift for lift in lifts if lift is not None]
        return min(floor + sum(given), bounds.top) if given and sum(given) >= 0 else OFF
    shift = sum(kept[send].shift for kept in nudges if send in kept) + ride
    level = base + shift
    if shift < 0 and level < floor:
        return OFF
    return min(level, bounds.top)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """A nudge that is asked for: of which send, over which scene level, by how much, for how long."""

    send: int
    base: Level
    by: int
    lasts: Lasts
    ride: int = 0


def nudged(wish: Wish, nudges: Nudges, bounds: Bounds) -> Nudges | Reason:
    """The nudges after the wish, or the reason why nothing would be heard."""
    now = target(wish.base, wish.send, nudges, wish.ride, bounds)
    assert now is not None
    kept = nudges[wish.lasts.value].get(wish.send, NONE)
    if kept.trail and kept.trail[-1][0] == -wish.by and not _held(wish, now, nudges):
        _, shift, lift = kept.trail[-1]
        back = Nudge(shift=shift, lift=lift, trail=kept.trail[:-1])
        taken_back = with_nudge(nudges, wish.lasts, wish.send, back)
        aim = target(wish.base, wish.send, taken_back, wish.ride, bounds)
        in_range = wish.by < 0 or (aim is not None and height(aim) <= _range_top(wish, bounds))
        if in_range and _heard(now, aim, wish.by, bounds):
            return taken_back
    way = _up(wish, now, bounds) if wish.by > 0 else _down(wish, now, bounds)
    if isinstance(way, Reason):
        return way
    trail = (*kept.trail, (wish.by, kept.shift, kept.lift))[-TRAIL_MAX:]
    return _arrive(wish, way, kept, trail, nudges, bounds)


def put(wish: Wish, level: Level, nudges: Nudges, bounds: Bounds) -> Nudges:
    """The nudges that make the send's level this one, as far as they may; no press takes it back."""
    return _arrive(wish, level, nudges[wish.lasts.value].get(wish.send, NONE), (), nudges, bounds)


def _range_top(wish: Wish, bounds: Bounds) -> int:
    """The highest level that nudging may come to."""
    return bounds.top if isinstance(wish.base, Off) else min(bounds.top, wish.base + bounds.limits.nudge_up)


def _held(wish: Wish, now: Level, nudges: Nudges) -> bool:
    """Whether a limit holds the level below what scene and nudges come to, as after a change of song."""
    if isinstance(wish.base, Off) or isinstance(now, Off):
        return False
    return now < wish.base + wish.ride + sum(kept[wish.send].shift for kept in nudges if wish.send in kept)


def _heard(before: Level, after: Level | None, by: int, bounds: Bounds) -> bool:
    """Whether the desk's step moves in the direction asked for."""
    if after is None:
        return False
    old, new = (height(bounds.grid.nearest(level, bounds.ceiling)) for level in (before, after))
    return new > old if by > 0 else new < old


def _up(wish: Wish, now: Level, bounds: Bounds) -> Level | Reason:
    top = _range_top(wish, bounds)
    aim = min(bounds.limits.nudge_floor if isinstance(now, Off) else now + wish.by, top)
    if _heard(now, aim, 1, bounds):
        return aim
    step = bounds.grid.nearest(now, bounds.ceiling)
    beyond = None if isinstance(step, Off) else bounds.grid.beyond(step, up=True)
    if beyond is not None and beyond <= top:
        return beyond
    if top < bounds.top:
        return Reason.AT_TOP
    return Reason.AT_CEILING if bounds.ceiling <= bounds.grid.highest else Reason.AT_DESK_TOP


def _down(wish: Wish, now: Level, bounds: Bounds) -> Level | Reason:
    if isinstance(now, Off):
        return Reason.AT_BOTTOM
    aim = now + wish.by
    if aim >= bounds.limits.nudge_floor and not _heard(now, aim, -1, bounds):
        step = bounds.grid.nearest(now, bounds.ceiling)
        beyond = None if isinstance(step, Off) else bounds.grid.beyond(step, up=False)
        aim = bounds.limits.nudge_floor - 1 if beyond is None else beyond
    if aim < bounds.limits.nudge_floor:
        return OFF if _heard(now, OFF, -1, bounds) else Reason.AT_BOTTOM
    return aim


def _arrive(
    wish: Wish,
    aim: Level,
    kept: Nudge,
    trail: tuple[tuple[int, int, int | None], ...],
    nudges: Nudges,
    bounds: Bounds,
) -> Nudges:
    """The nudges that make the level `aim`: the wish's own nudge takes up what the others leave over."""
    floor = bounds.limits.nudge_floor
    others = tuple(kept_ for at, kept_ in enumerate(nudges) if at != wish.lasts.value)
    if isinstance(wish.base, Off):
        lifts = [lift for o in others if wish.send in o and (lift := o[wish.send].lift) is not None]
        if isinstance(aim, Off):
            under = -sum(lifts) - 1 if lifts else None
            return with_nudge(nudges, wish.lasts, wish.send, replace(kept, lift=under, trail=trail))
        # Where the ceiling is below the floor, no lift stands for the ceiling.
        over = max(aim - floor, 0) - sum(lifts)
        return with_nudge(nudges, wish.lasts, wish.send, replace(kept, lift=over, trail=trail))
    rest = sum(o[wish.send].shift for o in others if wish.send in o) + wish.ride
    # An aim below the floor is one that the ceiling holds down; less than the floor would be `off`.
    level = min(floor, wish.base) - 1 if isinstance(aim, Off) else max(aim, min(floor, wish.base))
    return with_nudge(nudges, wish.lasts, wish.send, replace(kept, shift=level - wish.base - rest, trail=trail))
