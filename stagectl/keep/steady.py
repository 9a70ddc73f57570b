"""Whether some values are steady, and at what.

Steady is always asked in two steps. Whether: at least `SHARE` of the values wish the same way, up or down. How much:
the median of these, with which `SHARE` of all values must agree, the same way and within `TOLERANCE`. So a night
without a wish counts against it, and never makes it smaller; and one odd night, or song, in three moves nothing. Less
than `LEAST` is not worth a line. Medians are those of `statistics.median`. What is written is rounded to `STEP`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from statistics import median
from typing import Final

from stagectl.keep.evidence import SILENT

SHARE: Final = 2 / 3
"""Of songs, and of nights, that must agree."""

TOLERANCE: Final = 100
"""How far from the median still agrees, hundredths of a dB. An ear just notices a change of some 0.5 to 1 dB."""

LEAST: Final = 50
"""The least wish that is kept, hundredths of a dB."""

STEP: Final = 50
"""What is kept is rounded to this, hundredths of a dB."""


def way(value: int, nothing: int) -> int:
    """Which way a value goes from the one that asks for nothing: up (1), down (-1), to `off` (-2), or none (0). Where
    the text has `off`, any level is up."""
    if value == nothing:
        return 0
    if value == SILENT:
        return -2
    return 1 if nothing == SILENT or value > 0 else -1


def agrees(value: int, middle: int, nothing: int) -> bool:
    """Whether a value goes the way of the median, and is near it. `nothing`: the value that asks for nothing."""
    return way(value, nothing) == way(middle, nothing) and abs(value - middle) <= TOLERANCE


def middle_of(values: Sequence[int]) -> int:
    """The median, hundredths of a dB."""
    return round(median(values))


def steady(values: Sequence[int], nothing: int) -> int:
    """The median of the values that go the way of most, where there are enough of them; else `nothing`."""
    if not values:
        return nothing
    ways = Counter(way(value, nothing) for value in values)
    most, times = max(ways.items(), key=lambda pair: (pair[1], pair[0]))
    if not most or times < SHARE * len(values):
        return nothing
    middle = middle_of([value for value in values if way(value, nothing) == most])
    some = sum(agrees(value, middle, nothing) for value in values)
    is_kept = SILENT in (middle, nothing) or abs(middle) >= LEAST
    return middle if is_kept and some >= SHARE * len(values) else nothing


def rounded(by: int) -> int:
    """To the nearest `STEP`, halves away from zero; `off` stays so."""
    if by == SILENT:
        return by
    whole = (abs(by) * 2 + STEP) // (2 * STEP) * STEP
    return whole if by >= 0 else -whole


def less(value: int, under: int, nothing: int) -> int:
    """What is left of a wish when a layer below has been given its part."""
    if under == nothing:
        return value
    if SILENT in (value, under, nothing):
        return nothing if agrees(value, under, nothing) else value
    return value - under
