"""What bounds the levels of a night: what the rig may set, and what that comes to for one send."""

from __future__ import annotations

from functools import cached_property

from msgspec import Struct

from stagectl.core.grid import Grid


class Limits(Struct, frozen=True, kw_only=True):
    """Bounds that a rig can set. Levels in hundredths of a dB.

    `rise`: how fast a level may rise, hundredths of a dB a second (None: at once). `room`: how far the rest of a mix
    may come down to make room for one input. `hush`: how far down a hush takes a mix. `gentle_ns`: how long it takes
    to come back from a hush, and to fall back."""

    nudge_floor: int = -4_000
    nudge_up: int = 1_200
    settle_ns: int = 300_000_000
    rise: int | None = None
    room: int = 600
    hush: int = 2_000
    gentle_ns: int = 3_000_000_000


class Bounds(Struct, frozen=True, kw_only=True, dict=True):
    """What bounds one send: its ceiling (hundredths of a dB), the desk's grid, and the rig's limits."""

    ceiling: int
    grid: Grid
    limits: Limits

    @cached_property
    def top(self) -> int:
        """The highest level that this send ever gets."""
        return min(self.ceiling, self.grid.highest)
