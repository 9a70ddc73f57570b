"""Value laws: what number on the wire stands for which level.

`gm2`: General MIDI 2 v1.2a §3.3.4, dB = 40·log10(v / v_max), 0 is off. `decibels`: the number is the dB, or
counts steps of so many dB. `points`: straight lines between the points of the user's own chart.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, Protocol

from stagectl.core.grid import Grid
from stagectl.core.levels import OFF, Level, Off, hundredths
from stagectl.errors import WireError

Code = int | float

CODE_MAX: Final = 1e6
"""The largest number of a chart, either sign: an OSC float tells its neighbours apart up to there."""

FLOAT_ERROR: Final = 2**-23
"""More than the rounding of an OSC float (32 bits, 24 of them significant), as a part of the number."""


class Law(Protocol):
    """A law between codes and levels; `grid` is every level that it can say."""

    grid: Grid

    def code(self, level: Level) -> Code:
        """The number for a level of the grid (or the nearest)."""
        ...

    def level(self, code: Code) -> Level:
        """The level for a number; raises WireError where the number is outside the law."""
        ...


class StepLaw:
    """A law over whole numbers: a level for each code from `first` on, rising."""

    def __init__(self, levels: Sequence[Level], first: int = 0) -> None:
        self.levels = tuple(levels)
        self.first = first
        best: dict[int, int] = {}
        self.off: int | None = None
        for code, level in enumerate(self.levels, first):
            if isinstance(level, Off):
                self.off = code if self.off is None else self.off
            else:
                # Fine laws say the same hundredth by several codes; the first of them serves.
                best.setdefault(level, code)
        steps = tuple(sorted(best))
        if list(best) != list(steps):
            raise WireError("a value law has to rise with its codes")
        self._codes = tuple(best[step] for step in steps)
        self.grid = Grid(steps=steps, has_off=self.off is not None)

    def code(self, level: Level) -> int:
        """The code whose level is nearest."""
        if isinstance(level, Off):
            return self._codes[0] if self.off is None else self.off
        at = bisect_left(self.grid.steps, level)
        if at == len(self._codes):
            return self._codes[-1]
        if at and level - self.grid.steps[at - 1] <= self.grid.steps[at] - level:
            at -= 1
        return self._codes[at]

    def level(self, code: Code) -> Level:
        """The level that a code stands for."""
        at = int(code) - self.first
        if not 0 <= at < len(self.levels) or at != code - self.first:
            raise WireError(f"{code} is outside {self.first} to {self.first + len(self.levels) - 1}")
        return self.levels[at]


@dataclass(frozen=True, slots=True)
class Point:
    """One point of a chart: a code and its level."""

    code: float
    level: Level


class LineLaw:
    """A law over real numbers (OSC floats): straight lines between points, in steps of `step` hundredths."""

    def __init__(self, points: Sequence[Point], step: int = 10) -> None:
        self.off, self.codes, self.levels = _chart(points)
        self._slack = FLOAT_ERROR * max(abs(self.codes[0]), abs(self.codes[-1]))
        if self.off is not None and self.off >= self.codes[0] - 2 * self._slack:
            raise WireError("the code for off is too near to the first point to be told apart")
        self.grid = Grid(steps=range(self.levels[0], self.levels[-1] + 1, step), has_off=self.off is not None)

    def code(self, level: Level) -> float:
        """The number for a level, on the line between its neighbours."""
        if isinstance(level, Off):
            return self.codes[0] if self.off is None else self.off
        return _between(level, self.levels, self.codes)

    def level(self, code: Code) -> Level:
        """The level for a number. Below the first point it is off, where the law has an off."""
        if not math.isfinite(code):
            raise WireError(f"{code} is no number")
        if not self.codes[0] - self._slack <= code <= self.codes[-1] + self._slack:
            if self.off is not None and code < self.codes[0]:
                return OFF
            raise WireError(f"{code} is outside {self.codes[0]:g} to {self.codes[-1]:g}")
        return round(_between(code, self.codes, self.levels))


def check_rising(codes: Sequence[float], levels: Sequence[int]) -> None:
    """Raise WireError unless both rise strictly and there are at least two points."""
    if len(codes) < 2:
        raise WireError("a value law needs at least two points with a level")
    for kind, numbers in (("codes", codes), ("levels", levels)):
        if any(after <= before for before, after in pairwise(numbers)):
            raise WireError(f"the {kind} of a value law have to rise from point to point")


def _chart(points: Sequence[Point]) -> tuple[float | None, list[float], list[int]]:
    """The code of `off`, and the codes and levels of the other points. Raises WireError unless they rise and
    only the first is off."""
    if any(not abs(point.code) <= CODE_MAX for point in points):
        raise WireError(f"the codes of a value law go from {-CODE_MAX:.0f} to {CODE_MAX:.0f}")
    off = points[0].code if points and isinstance(points[0].level, Off) else None
    levels = [point.level for point in points if not isinstance(point.level, Off)]
    codes = [point.code for point in points if not isinstance(point.level, Off)]
    if len(levels) < len(points) - (off is not None):
        raise WireError("only the first point of a value law may be off")
    check_rising(codes, levels)
    if off is not None and off >= codes[0]:
        raise WireError("the code for off has to be below the others")
    return off, codes, levels


def _between(x: float, xs: Sequence[float], ys: Sequence[float]) -> float:
    at = min(max(bisect_left(xs, x), 1), len(xs) - 1)
    left, right = xs[at - 1], xs[at]
    part = min(max((x - left) / (right - left), 0.0), 1.0)
    return ys[at - 1] + part * (ys[at] - ys[at - 1])


def gm2(bits: int) -> StepLaw:
    """The GM2 volume law over 7 or 14 bits."""
    top = (1 << bits) - 1
    return StepLaw([OFF, *(hundredths(40 * math.log10(v / top)) for v in range(1, top + 1))])


def even_steps(low: int, step: int, first: int, last: int, off: int | None) -> StepLaw:
    """Code `first` is the level `low`, each code is `step` hundredths more, up to code `last`."""
    levels: list[Level] = [low + step * at for at in range(last - first + 1)]
    if off is not None and off == first - 1 >= 0:
        return StepLaw([OFF, *levels], first=off)
    if off is not None:
        raise WireError(f"the code for off, {off}, has to be just below the first code, {first}, and not below 0")
    return StepLaw(levels, first=first)


def points_over_codes(points: Sequence[Point]) -> StepLaw:
    """Whole codes, with straight lines between the points of a chart; a first point may be off."""
    _, codes, levels = _chart(points)
    first, last = round(points[0].code), round(points[-1].code)
    over = range(first, last + 1)
    return StepLaw([OFF if code < codes[0] else round(_between(code, codes, levels)) for code in over], first=first)
