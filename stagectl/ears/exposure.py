"""Sound exposure: how long a level may be heard, and how much of that a set has used up.

Levels at the ear are in dB(A), times in seconds, doses in percent. A criterion allows the time

    T = reference time / 2^((L − criterion level) / exchange rate)

at the level L; the dose of levels L1, L2, … heard for times C1, C2, … is D = 100·Σ C/T, and a dose has its steady
level over the reference time. Each row of `CRITERIA` is such a rule; *equal energy* is an exchange rate of
10·log10 2 = 3.01 dB.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Final, TypeAlias

from msgspec import Struct

HOUR: Final = 3600.0
"""Seconds."""

DAY: Final = "day"
WEEK: Final = "week"

PERIODS: Final[Mapping[str, float]] = {DAY: 24 * HOUR, WEEK: 7 * 24 * HOUR}
"""How long the periods are for which a dose is allowed, s."""

EQUAL_ENERGY: Final = 10 * math.log10(2)
"""The exchange rate at which twice the time is as much as twice the sound energy, dB."""

Heard: TypeAlias = tuple[float, float]
"""A level at the ear, dB(A) (minus infinity for silence), and for how long it was heard, s."""


class Criterion(Struct, frozen=True, kw_only=True):
    """A rule for how much is allowed.

    `level`: what may be heard for the reference time, dB(A); `exchange`: what halves the time, dB; `reference`: s;
    `period`: how often that is allowed; `slope`: the factor before log10 in the steady level of a dose, as the source
    prints it; `steady`: what the source calls that level; `threshold`: lower levels do not count, dB(A); `clause`:
    where it stands.
    """

    name: str
    clause: str
    level: float
    exchange: float
    reference: float = 8 * HOUR
    period: str = DAY
    slope: float = 10.0
    steady: str = "L_EX,8h"
    threshold: float | None = None


def _eu(name: str, level: float, clause: str) -> Criterion:
    return Criterion(name=f"EU 2003/10/EC {name}", clause=clause, level=level, exchange=EQUAL_ENERGY)


def _weekly(who: str, level: float) -> Criterion:
    return Criterion(
        name=f"H.870 {who}",
        clause="WHO-ITU-T H.870: the weekly sound allowance",
        level=level,
        exchange=EQUAL_ENERGY,
        reference=40 * HOUR,
        period=WEEK,
        steady="steady level over 40 h",
    )


CRITERIA: Final[Mapping[str, Criterion]] = {
    criterion.name: criterion
    for criterion in (
        # The document lets meters leave out what is below 80 dB(A) (from memory). Here it counts, which is never less.
        Criterion(
            name="NIOSH 98-126",
            clause="NIOSH 98-126, recommended exposure limit, table 1-1 and the formulas of its notes",
            level=85,
            exchange=3,
            steady="TWA",
        ),
        # Appendix A's formulas say nothing of a threshold. Paragraph (d)(2)(i) integrates from 80 dB on; the
        # permissible exposure of table G-16 begins at 90 dB (both from memory). The lower one counts more.
        Criterion(
            name="OSHA 1910.95",
            clause="29 CFR 1910.95 appendix A, table G-16; levels from 80 dB on by (d)(2)(i)",
            level=90,
            exchange=5,
            slope=16.61,
            steady="TWA",
            threshold=80,
        ),
        _eu("lower action", 80, "2003/10/EC article 3: lower exposure action value"),
        _eu("upper action", 85, "2003/10/EC article 3: upper exposure action value"),
        _eu("limit", 87, "2003/10/EC article 3: exposure limit value"),
        _weekly("adults", 80),
        _weekly("sensitive", 75),
    )
}
"""Every criterion, by the name that a rig gives it."""

DEFAULT: Final = "NIOSH 98-126"


def allowed(criterion: Criterion, level: float) -> float:
    """How long a level, dB(A), may be heard in the criterion's period, s; infinity where it does not count."""
    if level == -math.inf or (criterion.threshold is not None and level < criterion.threshold):
        return math.inf
    return criterion.reference * 2 ** ((criterion.level - level) / criterion.exchange)


def dose(criterion: Criterion, heard: Iterable[Heard]) -> float:
    """What was heard, in percent of what the criterion allows in its period: D = 100·Σ C/T."""
    return 100 * math.fsum(time / allowed(criterion, level) for level, time in heard)


def steady(criterion: Criterion, dose: float) -> float:
    """The level, dB(A), that over the reference time comes to this dose, %: the TWA (NIOSH 98-126; 29 CFR 1910.95
    appendix A), or L_EX,8h (ISO 1999, 2003/10/EC). Minus infinity for no dose."""
    return criterion.slope * math.log10(dose / 100) + criterion.level if dose > 0 else -math.inf


def average(heard: Iterable[Heard], exchange: float = EQUAL_ENERGY) -> float:
    """The steady level that comes to the same as what was heard, over the same time, dB; minus infinity for silence and
    for nothing. With `EQUAL_ENERGY` it is the energy average, L_Aeq."""
    some = list(heard)
    time = math.fsum(one for _, one in some)
    top = max((level for level, one in some if one > 0), default=-math.inf)
    if top == -math.inf:
        return top
    # From the highest level down, so that no power leaves the range of a float.
    return top + exchange * math.log2(math.fsum(one * 2 ** ((level - top) / exchange) for level, one in some) / time)


def left(criterion: Criterion, dose: float, time: float) -> float:
    """How much longer it may go on as it did, s: `time`, s, came to `dose`, %. Never less than 0; infinity for no dose.

    The rest of the period is taken as quiet."""
    return max(0.0, time * (100 - dose) / dose) if dose > 0 else math.inf


def time_factor(criterion: Criterion, hotter: float) -> float:
    """By how much the allowed time changes with a level that is so many dB hotter: 2^(−hotter / exchange rate)."""
    return float(2 ** (-hotter / criterion.exchange))
