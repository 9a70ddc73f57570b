"""What a show comes to: counts, the biggest jump of each change, and levels that a ceiling holds down."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from stagectl.core.levels import Level, Off
from stagectl.core.plan import Plan


class Change(NamedTuple):
    """One step of the setlist. `sends`: how many levels move; `send`, `before`, `after`: the biggest jump between two
    levels, if there is one; `switched`: how many go to or come from `off`."""

    stop: int
    sends: int
    switched: int
    send: int | None
    before: Level | None
    after: Level | None


def changes(plan: Plan) -> Iterator[Change]:
    """Every step from one stop to the next, with nobody's nudges."""
    for stop in range(1, len(plan.stops)):
        old, new = plan.bounded[stop - 1], plan.bounded[stop]
        moved = [send for send, (a, b) in enumerate(zip(old, new, strict=True)) if a != b]
        steps = {send: _jump(old[send], new[send]) for send in moved}
        known = [send for send in moved if steps[send] is not None]
        most = max(known, key=lambda send: steps[send] or 0, default=None)
        switched = len(moved) - len(known)
        before, after = (None, None) if most is None else (old[most], new[most])
        yield Change(stop, len(moved), switched, most, before, after)


def _jump(before: Level | None, after: Level | None) -> int | None:
    if before is None or after is None or isinstance(before, Off) or isinstance(after, Off):
        return None
    return abs(after - before)


class Held(NamedTuple):
    """A level of a stop that the layers put above what the send may have."""

    stop: int
    send: int
    level: int
    held: Level


def held_down(plan: Plan) -> Iterator[Held]:
    """The levels that a ceiling or the desk's range holds down, where they first come up in a song."""
    for stop, (levels, bounded) in enumerate(zip((s.levels for s in plan.stops), plan.bounded, strict=True)):
        for send, (level, bound) in enumerate(zip(levels, bounded, strict=True)):
            if isinstance(level, int) and bound is not None and bound != level:
                before = plan.stops[stop - 1].levels[send] if stop else None
                if before != level:
                    yield Held(stop, send, level, bound)
