"""The levels that a desk can say, as data.

A desk's send has steps: 127 of them on a 7-bit controller, some thousands over a finer link. The core
keeps the exact level, asks for the nearest step at or below the ceiling, and makes sure that a nudge
moves at least one step, so that no press goes unheard.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence

from msgspec import Struct

from stagectl.core.levels import OFF, Level, Off


class Grid(Struct, frozen=True, kw_only=True):
    """`steps`: every level that the desk can say, rising, in hundredths of a dB (a range serves for even
    steps); `has_off`: whether the desk can also say `off`."""

    steps: Sequence[int]
    has_off: bool = True

    def __post_init__(self) -> None:
        if not self.steps:
            raise ValueError("a desk's grid needs at least one step")

    def nearest(self, level: Level, top: int) -> Level:
        """The step nearest to `level`, never above `top`, both in hundredths of a dB.

        Where no step is at or below `top`, the answer is OFF; the lowest step stands in for OFF on a desk
        that cannot say it (a show where that step is above the ceiling is refused before the night).
        """
        if isinstance(level, Off):
            return OFF if self.has_off else self.steps[0]
        reachable = bisect_right(self.steps, top)
        if not reachable:
            return OFF if self.has_off else self.steps[0]
        if level > top:
            level = top
        at = bisect_left(self.steps, level, 0, reachable)
        if at == reachable:
            return self.steps[reachable - 1]
        above = self.steps[at]
        if at == 0:
            return above
        below = self.steps[at - 1]
        return below if level - below <= above - level else above

    def beyond(self, level: int, *, up: bool) -> int | None:
        """The next step strictly above (or below) `level`, or None where there is none."""
        if up:
            at = bisect_right(self.steps, level)
            return self.steps[at] if at < len(self.steps) else None
        at = bisect_left(self.steps, level)
        return self.steps[at - 1] if at else None

    @property
    def highest(self) -> int:
        """The highest step, hundredths of a dB."""
        return self.steps[-1]
