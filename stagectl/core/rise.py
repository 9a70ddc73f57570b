"""No level rises faster than the rig allows.

A rise of r hundredths of a dB is paid with r / `Limits.rise` of time. A send may have `AT_ONCE_NS` of it in hand; what
it rose more than that has to pass before it rises again. So over any time t a level rises by at most `rise` · (t +
`AT_ONCE_NS`), or by one step more on a desk whose steps are wider than that. A rise from `off` counts from the nudge
floor, where it begins. Falls are free: down is always at once. A level that nobody knows is asserted at once, which may
be a rise: on a desk that cannot be read, and behind a scene that the desk itself has stored.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from stagectl.core.grid import Grid
from stagectl.core.levels import Level, Off

AT_ONCE_NS: Final = 60_000_000
"""So much of the allowed rise comes at once: at 50 dB a second 3 dB, so that a nudge is one message."""

SECOND_NS: Final = 1_000_000_000


def begins_at(level: Level, aim: int, floor: int) -> int:
    """Where a rise to `aim` begins to count, hundredths of a dB."""
    return min(floor, aim) if isinstance(level, Off) else level


def allowed(start: int, due: int | None, at: int, rise: int) -> int:
    """How high a send may get now, hundredths of a dB. `due`: when its last rise is paid for, ns."""
    hand = AT_ONCE_NS - max(0, (due or at) - at)
    return start + max(0, hand * rise // SECOND_NS)


def paid_at(by: int, due: int | None, at: int, rise: int) -> int:
    """When a rise by so much is paid for, ns."""
    return max(due or at, at) + by * SECOND_NS // rise


def as_far_as(start: int, aim: int, grid: Grid, ceiling: int, due: int | None, at: int, rise: int) -> Level | None:
    """The desk's step on the way from `start` to the step `aim` that a send may be at now; None where it must wait."""
    top = allowed(start, due, at, rise)
    if aim <= top:
        return aim
    step = grid.nearest(min(aim, top), min(ceiling, top))
    if isinstance(step, int) and start < step <= top:
        return step
    if due is not None and due > at:
        return None
    # The steps of this desk are wider than what comes at once: the next one, and a longer wait after it.
    beyond = grid.beyond(start, up=True)
    return aim if beyond is None else min(beyond, aim)


def still_paying(rising: Mapping[int, int], at: int) -> dict[int, int]:
    """The sends whose last rise is not paid for yet."""
    return {send: due for send, due in rising.items() if due > at} if rising else {}
