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
then it moves from where the limit holds it, so that the whole press is heard. On the way down what was held
becomes a nudge of its own, which ends with the levels that were held (`room.py`): elsewhere the press is worth no more.

What a send gave to make room for others (`room.py`) is a part of its nudge, counted in `room`; the press that takes the
other's nudge back takes this back too.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final, TypeAlias

from msgspec import Struct

from stagectl.core.actions import Lasts
from stagectl.core.effects import Reason
from stagectl.core.levels import OFF, Level, Off, height
from stagectl.core.limits import Bounds

TRAIL_MAX: Final = 64
"""Presses that a press in the other direction takes back exactly; before them plain arithmetic serves."""


class Gave(Struct, frozen=True):
    """A press in the trail: its number, by how much it was (0: it made room for another), and what the nudge was before
    it."""

    press: int
    by: int
    shift: int
    lift: int | None
    room: int


class Nudge(Struct, frozen=True):
    """What was nudged: `shift` counts where the scene has a level, `lift` (above the floor) where it is off. `room`:
    how much of it was given to make room for others. `trail`: the last presses."""

    shift: int = 0
    lift: int | None = None
    room: int = 0
    trail: tuple[Gave, ...] = ()

    @property
    def nothing(self) -> bool:
        """Whether it changes nothing."""
        return self.shift == 0 and self.lift is None


NONE: Final = Nudge()

Nudges: TypeAlias = tuple[MappingProxyType[int, Nudge], ...]
"""For each of `Lasts`, the nudges by send."""


def no_nudges() -> Nudges:
    """Nobody has nudged anything."""
    return tuple(MappingProxyType({}) for _ in Lasts)


def with_nudges(nudges: Nudges, lasts: Lasts, changed: Mapping[int, Nudge]) -> Nudges:
    """The nudges with some of them replaced; one that changes nothing and has no trail is forgotten."""
    some = nudges[lasts].copy()
    for send, nudge in changed.items():
        if not nudge.trail and nudge.nothing:
            some.pop(send, None)
        else:
            some[send] = nudge
    after = list(nudges)
    after[lasts] = MappingProxyType(some)
    return tuple(after)


def without(nudges: Nudges, lasts: Lasts) -> Nudges:
    """The nudges without those that last only so long."""
    if not nudges[lasts]:
        return nudges
    return tuple(MappingProxyType({}) if at == lasts else kept for at, kept in enumerate(nudges))


def touched(nudges: Nudges) -> frozenset[int]:
    """The sends that any nudge changes."""
    return frozenset(send for kept in nudges for send, nudge in kept.items() if not nudge.nothing)


def target(base: Level | None, send: int, nudges: Nudges, ride: int, bounds: Bounds) -> Level | None:
    """The exact level that a send should have: nudged, and bounded. None where the show does not drive it."""
    if base is None:
        return None
    floor = bounds.limits.nudge_floor
    if isinstance(base, Off):
        given = [lift for kept in nudges if send in kept and (lift := kept[send].lift) is not None]
        return min(floor + sum(given), bounds.top) if given and sum(given) >= 0 else OFF
    shift = ride + _shift_of(send, nudges)
    level = base + shift
    if shift < 0 and level < floor:
        return OFF
    return min(level, bounds.top)


def _shift_of(send: int, nudges: Nudges) -> int:
    """What all nudges together shift a send by."""
    shift = 0
    for kept in nudges:
        if send in kept:
            shift += kept[send].shift
    return shift


class Wish(Struct, frozen=True):
    """A nudge that is asked for: of which send, over which scene level, by how much, for how long. `most`: how much of
    `by` it may give, where others set a limit to it on the way up; `press`: the number of the press that asks."""

    send: int
    base: Level
    by: int
    lasts: Lasts
    ride: int = 0
    most: int = 0
    press: int = 0


def nudged(wish: Wish, nudges: Nudges, bounds: Bounds) -> Nudge | Reason:
    """What was nudged after the wish, or the reason why nothing would be heard."""
    now = target(wish.base, wish.send, nudges, wish.ride, bounds)
    assert now is not None
    kept = nudges[wish.lasts].get(wish.send, NONE)
    if takes_back(wish, kept) and not is_held(wish, nudges, bounds):
        back = before_last(kept)
        taken_back = with_nudges(nudges, wish.lasts, {wish.send: back})
        aim = target(wish.base, wish.send, taken_back, wish.ride, bounds)
        in_range = wish.by < 0 or (aim is not None and height(aim) <= range_top(wish, bounds))
        if in_range and _heard(now, aim, wish.by, bounds):
            return back
    way = _up(wish, now, bounds) if wish.by > 0 else _down(wish, now, bounds)
    if isinstance(way, Reason):
        return way
    trail = (*kept.trail, Gave(wish.press, wish.by, kept.shift, kept.lift, kept.room))[-TRAIL_MAX:]
    return _arrive(wish, way, kept, trail, nudges, bounds)


def put(wish: Wish, level: Level, nudges: Nudges, bounds: Bounds) -> Nudge:
    """What must be nudged to make the send's level this one, as far as it may; no press takes it back."""
    return _arrive(wish, level, nudges[wish.lasts].get(wish.send, NONE), (), nudges, bounds)


def takes_back(wish: Wish, kept: Nudge) -> bool:
    """Whether the last press was the same the other way. `kept`: what was nudged until now."""
    return bool(kept.trail) and kept.trail[-1].by == -wish.by


def before_last(kept: Nudge) -> Nudge:
    """What was nudged before the last press."""
    gave = kept.trail[-1]
    return Nudge(shift=gave.shift, lift=gave.lift, room=gave.room, trail=kept.trail[:-1])


def range_top(wish: Wish, bounds: Bounds) -> int:
    """The highest level that nudging may come to."""
    return bounds.top if isinstance(wish.base, Off) else min(bounds.top, wish.base + bounds.limits.nudge_up)


def is_held(wish: Wish, nudges: Nudges, bounds: Bounds) -> bool:
    """Whether a limit holds the level below what scene and nudges come to, as after a change of song."""
    return isinstance(wish.base, int) and above(wish.base, wish, nudges, bounds.top) > 0


def above(base: int, wish: Wish, nudges: Nudges, level: int) -> int:
    """How far what scene, treadle and nudges come to is above a level; below it, less than 0."""
    return base + wish.ride + _shift_of(wish.send, nudges) - level


def _heard(before: Level, after: Level | None, by: int, bounds: Bounds) -> bool:
    """Whether the desk's step moves in the direction asked for."""
    if after is None:
        return False
    old = height(bounds.grid.nearest(before, bounds.ceiling))
    new = height(bounds.grid.nearest(after, bounds.ceiling))
    return new > old if by > 0 else new < old


def at_top(wish: Wish, bounds: Bounds) -> Reason:
    """Why a send goes no further up than `range_top`."""
    if range_top(wish, bounds) < bounds.top:
        return Reason.AT_TOP
    return Reason.AT_CEILING if bounds.ceiling <= bounds.grid.highest else Reason.AT_DESK_TOP


def _up(wish: Wish, now: Level, bounds: Bounds) -> Level | Reason:
    top = range_top(wish, bounds)
    by = min(wish.by, wish.most)
    aim = min(bounds.limits.nudge_floor if isinstance(now, Off) else now + by, top)
    if _heard(now, aim, 1, bounds):
        return aim
    if by < wish.by:
        return at_top(wish, bounds)
    step = bounds.grid.nearest(now, bounds.ceiling)
    beyond = None if isinstance(step, Off) else bounds.grid.beyond(step, up=True)
    return beyond if beyond is not None and beyond <= top else at_top(wish, bounds)


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


def _arrive(wish: Wish, aim: Level, kept: Nudge, trail: tuple[Gave, ...], nudges: Nudges, bounds: Bounds) -> Nudge:
    """What must be nudged to make the level `aim`: the wish's own nudge takes up what the others leave over."""
    floor = bounds.limits.nudge_floor
    if isinstance(wish.base, Off):
        others = [one[wish.send] for at, one in enumerate(nudges) if at != wish.lasts and wish.send in one]
        lifts = [other.lift for other in others if other.lift is not None]
        if isinstance(aim, Off):
            return Nudge(kept.shift, -sum(lifts) - 1 if lifts else None, kept.room, trail)
        # Where the ceiling is below the floor, no lift stands for the ceiling.
        return Nudge(kept.shift, max(aim - floor, 0) - sum(lifts), kept.room, trail)
    others_shift = _shift_of(wish.send, nudges) - kept.shift
    # An aim below the floor is one that the ceiling holds down; less than the floor would be `off`.
    level = min(floor, wish.base) - 1 if isinstance(aim, Off) else max(aim, min(floor, wish.base))
    return Nudge(level - wish.base - wish.ride - others_shift, kept.lift, kept.room, trail)
