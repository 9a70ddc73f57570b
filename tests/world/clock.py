"""The clocks of the world: one that only goes on, and one on the wall, which people set and computers lose."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Final

SECOND: Final = 1_000_000_000
MS: Final = 1_000_000

BOOTED_NS: Final = 1_000 * SECOND
"""How long the computer has been on when a night begins, ns."""

EVENING: Final = datetime(2027, 5, 14, 18, 30, tzinfo=UTC)
"""When nights begin, on the wall."""

EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


class Clock:
    """`now`: the monotonic clock, ns; it is the computer's, so a power cut begins it anew. `world`: the same, but never
    begun anew."""

    def __init__(self) -> None:
        self.now = BOOTED_NS
        self._wall = (EVENING - EPOCH) // timedelta(microseconds=1) * 1_000 - BOOTED_NS
        self._before = 0

    @property
    def world(self) -> int:
        """The time of the world, ns, by which inputs are told."""
        return self._before + self.now - BOOTED_NS

    def to(self, at: int) -> None:
        """Time passes, up to a monotonic time, ns."""
        self.now = max(self.now, at)

    def of_world(self, at: int) -> int:
        """The monotonic time of a time of the world, ns."""
        return at - self._before + BOOTED_NS

    def wall_ns(self) -> int:
        """The clock on the wall, ns since 1970."""
        return self._wall + self.now

    def utc(self) -> datetime:
        """The clock on the wall."""
        return EPOCH + timedelta(microseconds=self.wall_ns() // 1_000)

    def step(self, by_ns: int) -> None:
        """Somebody sets the clock on the wall."""
        self._wall += by_ns

    def boot(self) -> None:
        """The computer is started: its monotonic clock begins anew; the one on the wall has gone on."""
        wall = self.wall_ns()
        self._before = self.world
        self.now = BOOTED_NS
        self._wall = wall - self.now
