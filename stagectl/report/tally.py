"""Counting without end in bounded memory, and percentiles."""

from __future__ import annotations

from collections.abc import Sequence
from heapq import nlargest
from typing import Final

from stagectl.report.figures import Count

KEYS_MAX: Final = 5_000
"""Different things that are counted by name; what comes after them is counted together."""


class Tally:
    """How often what happened, first and last when. More than KEYS_MAX different things are `others`."""

    def __init__(self, most: int = KEYS_MAX) -> None:
        self.others = 0
        self._most = most
        self._found: dict[tuple[str, ...], list[int]] = {}

    def add(self, what: tuple[str, ...], at: int) -> None:
        """It happened once more, at a time, ns."""
        one = self._found.get(what)
        if one is not None:
            one[0] += 1
            one[2] = at
        elif len(self._found) < self._most:
            self._found[what] = [1, at, at]
        else:
            self.others += 1

    def most(self, count: int | None = None) -> list[Count]:
        """The most frequent, the first of equals first; all of them where no count is given."""
        all_ = [Count(what, *one) for what, one in self._found.items()]
        return nlargest(len(all_) if count is None else count, all_, key=lambda one: one.times)

    @property
    def total(self) -> int:
        """How often anything happened."""
        return sum(one[0] for one in self._found.values()) + self.others

    def __len__(self) -> int:
        return len(self._found)


def percentile(ordered: Sequence[int], part: float) -> float:
    """The value below which `part` (0…1) of some ordered values lies, interpolated between the two nearest (the method
    that NumPy calls `linear`, and Python's `statistics` `inclusive`). Raises ValueError for no values."""
    if not ordered:
        raise ValueError("no values have no percentile")
    place = (len(ordered) - 1) * part
    low = int(place)
    high = min(low + 1, len(ordered) - 1)
    return ordered[low] + (ordered[high] - ordered[low]) * (place - low)
