"""From the values of a treadle to places on its way, in whole numbers only.

A value v stands at the fraction x = (v - heel) / (toe - heel) of the travel, held between 0 and 1; a heel above the
toe is a treadle that counts the other way round. The dead zone of d percent at both ends gives x' = (x - d) /
(1 - 2d), held between 0 and 1, so that both ends are reached exactly however the treadle was calibrated. The curve
c then puts it at x' to the power of c of the way: above 1 it moves little near the heel and much near the toe, below
1 the other way round, and 1 is a straight line. Places are counted in `FULL` parts of the way, rounded down.

Power and rounding are worked out exactly (the largest whole p with p/FULL <= x'^c is found by comparing whole
numbers), so a place is the same on every machine; all places of a treadle are worked out once, when it is first
moved or asked for.
"""

from __future__ import annotations

from functools import lru_cache
from math import gcd
from typing import Final

from msgspec import Struct

FULL: Final = 1_000_000
"""Parts of the whole way. The widest ride is 24 dB, 2,400 hundredths: one part is far below one of them."""

DEAD_MAX: Final = 20
"""The widest dead zone, percent of the travel at each end."""

DEAD_DEFAULT: Final = 2
"""Percent: as far as a treadle that was calibrated once may drift without missing its ends."""

CURVE_MIN: Final = 20
CURVE_MAX: Final = 500
"""The bounds of a curve, in hundredths: 0.2 to 5."""

SMOOTH_MAX_NS: Final = 20_000_000
"""The longest time that smoothing may add, ns."""

TABLES_MAX: Final = 64
"""Treadles whose places are kept worked out; of more, the one that was not used for longest is worked out anew."""


class Travel(Struct, frozen=True):
    """How a treadle's values are read. `heel`, `toe`: its values at the ends (toe None: its highest), never the
    same. `dead`: the dead zone, percent at each end, 0 to DEAD_MAX. `jitter`: values this near to the one that was
    taken last are not taken. `curve`: the exponent in hundredths. `smooth_ns`: 0 to SMOOTH_MAX_NS."""

    heel: int = 0
    toe: int | None = None
    dead: int = 0
    jitter: int = 0
    curve: int = 100
    smooth_ns: int = 0

    def places(self, top: int) -> tuple[int, ...]:
        """The place, 0 to FULL, of each value from 0 to `top`."""
        return _places(top, self.heel, top if self.toe is None else self.toe, self.dead, self.curve)


@lru_cache(maxsize=TABLES_MAX)
def _places(top: int, heel: int, toe: int, dead: int, curve: int) -> tuple[int, ...]:
    span = abs(toe - heel)
    way = 1 if toe > heel else -1
    den = (100 - 2 * dead) * span
    nums = (min(max((value - heel) * way * 100 - dead * span, 0), den) for value in range(top + 1))
    return tuple(_power(num, den, curve) for num in nums)


def _power(num: int, den: int, curve: int) -> int:
    """The largest whole p with p/FULL <= (num/den) ** (curve/100)."""
    if num in (0, den):
        return FULL if num else 0
    n, q = curve // gcd(curve, 100), 100 // gcd(curve, 100)
    if n == q:
        return FULL * num // den
    common = gcd(num, den)
    bound, scale = FULL**q * (num // common) ** n, (den // common) ** n
    # The guess only saves steps: what is found is the same from any other.
    place = min(int(FULL * (num / den) ** (n / q)), FULL)
    while place**q * scale > bound:
        place -= 1
    while (place + 1) ** q * scale <= bound:
        place += 1
    return place


def shift_at(place: int, low: int, high: int) -> int:
    """The shift at a place of the way from `low` to `high`, rounded to the nearest (a half upwards)."""
    return low + ((high - low) * place * 2 + FULL) // (2 * FULL)
