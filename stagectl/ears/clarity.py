"""Clarity of a mix: how far the input that a listener leads with stands above all the others together.

Signals of different players are uncorrelated, so the rest of a mix has the level 10·log10 Σ 10^(L/10), and the lead
stands above it by the difference in dB, which is usually below zero. The levels are those of the sends, so the figure
assumes that all inputs arrive at the desk gain-staged alike: as loud as each other with all sends at one level.
A master of the whole mix moves lead and rest alike and counts for nothing here.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache
from typing import Final, NamedTuple

from stagectl.core.levels import OFF, Level, Off, hundredths, uncorrelated_sum

RIVAL: Final = 600
"""How far below the lead an input still competes with it, hundredths of a dB (common practice, no source). An input
that is louder than the lead competes with it however much louder it is."""

KEPT_MAX: Final = 16_384
"""Mixes of which the figure is kept: those of a long set repeat from song to song."""

ASSUMED: Final = "inputs gain-staged alike"
"""What every figure assumes; stated wherever one is shown."""


class Clarity(NamedTuple):
    """How clear a mix is. `lead`: the level of the input that the listener leads with; `rest`: that of the others
    together (OFF where there are none), both in hundredths of a dB; `rivals`: how many of the others compete with the
    lead, 0 where the lead is off. `tenths`: the same as `above` in tenths of a dB, from the exact figure: a hundredth
    that is rounded up may round to another tenth."""

    lead: Level
    rest: Level
    rivals: int
    tenths: int | None = None

    @property
    def above(self) -> int | None:
        """How far the lead stands above the rest, hundredths of a dB; below zero where it stands below. None where
        the lead is off, and where there is nothing else."""
        if isinstance(self.lead, Off) or isinstance(self.rest, Off):
            return None
        return self.lead - self.rest

    @property
    def is_in(self) -> bool:
        """Whether the lead is in the mix at all."""
        return not isinstance(self.lead, Off)

    def text(self) -> str:
        """`4.2 dB below`, `0.0 dB below` (as loud as the rest), `alone`, `not in the mix`."""
        if not self.is_in:
            return "not in the mix"
        if self.above is None or self.tenths is None:
            return "alone"
        return f"{abs(self.tenths) / 10:.1f} dB {'above' if self.above > 0 else 'below'}"


@lru_cache(maxsize=KEPT_MAX)
def clarity(levels: tuple[Level | None, ...], lead: int) -> Clarity:
    """The clarity of a mix with these levels of its inputs (hundredths of a dB; None is an input that the show does
    not drive, and counts as off), led by the one at index `lead`. Raises IndexError where there is no such input."""
    at = _heard(levels[lead])
    others: Sequence[Level] = [_heard(level) for here, level in enumerate(levels) if here != lead]
    rest = uncorrelated_sum(others)
    if isinstance(at, Off):
        return Clarity(at, rest, 0)
    rivals = sum(not isinstance(level, Off) and level >= at - RIVAL for level in others)
    return Clarity(at, rest, rivals, _tenths(at, others))


def _tenths(lead: int, others: Sequence[Level]) -> int | None:
    """How far a lead stands above the others, tenths of a dB, halves away from zero; None where there are none."""
    power = math.fsum(10 ** (level / 1_000) for level in others if not isinstance(level, Off))
    return hundredths(lead / 1_000 - math.log10(power)) if power > 0 else None


def _heard(level: Level | None) -> Level:
    return OFF if level is None else level
