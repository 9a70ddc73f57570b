"""A mix as a sum: its ceiling, and room for one input in it.

What a listener hears of n inputs that play at once is their uncorrelated sum, 10·log10 Σ 10^(L/10): powers add. The
level of the whole mix, where the desk has one and the show drives it, moves that sum by its own dB. One that the show
leaves alone counts as 0 dB, or as what the desk says that it is above that (`whole_mixes.py`).

- *Ceiling.* Where the desk's steps of a mix come to more than the mix's ceiling, all of its inputs are held lower by
  the same number of dB, so that the balance stays. It is worked out anew from scene and nudges each time, so that
  nothing winds up, and it ends where its cause ends.
- *Room* (`room.py`). One input rises, and the rest of the mix comes down so that the sum stays where it was.

Powers are whole numbers, in units of 2^-40 of a send at 0 dB, so that a sum does not depend on the order of its parts.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from functools import lru_cache
from typing import Final, TypeAlias

from stagectl.core.levels import LEVEL_MAX, LEVEL_MIN, OFF, Level, Off

Power: TypeAlias = int
"""A sound power, in units of `UNIT`."""

UNIT: Final = 1 << 40
"""The power of 0 dB; what is below -120 dB is nothing."""

Row: TypeAlias = list[Level | None]
"""A listener's mix: the levels of its inputs, then of the whole mix."""


@lru_cache(maxsize=1 << 15)
def power(level: int) -> Power:
    """The power of a level in hundredths of a dB: 10^(L/10)."""
    return round(10 ** (level / 1_000) * UNIT)


def power_of(level: Level | None) -> Power:
    """The power of a level; what is off, or not driven, has none."""
    return power(level) if isinstance(level, int) else 0


def total(levels: Iterable[Level | None]) -> Power:
    """The power of uncorrelated inputs together; what is off, or not driven, adds nothing."""
    return sum([power(level) for level in levels if isinstance(level, int)])


def highest(most: Power) -> Level:
    """The highest level, hundredths of a dB, whose power is at most this one."""
    if most <= 0:
        return OFF
    level = math.floor(1_000 * math.log10(most / UNIT))
    while power(level + 1) <= most:
        level += 1
    while power(level) > most:
        level -= 1
    return level


def most_of(ceiling: int | None, whole: Level | None) -> Power | None:
    """What the inputs of a mix may come to under the mix's ceiling, hundredths of a dB, when the whole mix is at that
    level (None: it counts as 0 dB). None: nothing bounds them."""
    if ceiling is None or isinstance(whole, Off):
        return None
    return max(1, power(ceiling - (whole or 0)))


def highest_whole(ceiling: int, inputs: Power) -> Level | None:
    """The highest level of a whole mix whose inputs come to so much, under the mix's ceiling, hundredths of a dB; None
    where nothing bounds it."""
    less = highest(inputs - 1)
    return None if isinstance(less, Off) else ceiling - less - 1


def lowered(level: Level | None, by: int) -> Level | None:
    """A level so many hundredths of a dB lower; what gets below every level that there is, is off."""
    if by == 0 or level is None or isinstance(level, Off):
        return level
    return level - by if level - by >= LEVEL_MIN else OFF


HELD_MAX: Final = 2 * (LEVEL_MAX - LEVEL_MIN)
"""A mix is held at most so much lower, hundredths of a dB: then everything that can be off is."""


def held_by(comes_to: Callable[[int], Power], now: Power, most: Power) -> int:
    """By how many hundredths of a dB the inputs of a mix are held lower: the least by which they come to `most`.

    `comes_to`: what the desk's steps of them come to, held lower by so much; `now`: held by nothing, which is more.
    """
    low, high = 0, math.ceil(1_000 * math.log10(now / most))
    while comes_to(high) > most and high < HELD_MAX:
        low, high = high, min(2 * high, HELD_MAX)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if comes_to(middle) <= most else (middle, high)
    return high
