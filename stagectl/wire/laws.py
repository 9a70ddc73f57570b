"""Value laws: what number on the wire stands for which level.

`gm2`: General MIDI 2 v1.2a §3.3.4, dB = 40·log10(v / v_max), 0 is off. `power`: dB = highest + factor·log10(v / top), 0
is off; by the definition of the decibel the factor is 20 where the value counts as an amplitude and 10 where it counts
as a power, and GM2's is 40. `decibels`: the number is the dB, or counts steps of so many dB. `points`: straight lines
between the points of the user's own chart. Levels may rise or fall with the codes.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Callable, Sequence
from functools import lru_cache
from itertools import pairwise
from typing import Final, Protocol

from msgspec import Struct

from stagectl.core.grid import Grid
from stagectl.core.levels import OFF, Level, Off, height, hundredths
from stagectl.errors import WireError

Code = int | float

CODE_MAX: Final = 2**21
"""The largest number of a chart, either sign: three bytes of SysEx carry less, and an OSC float tells its neighbours
apart up to there."""

TABLE_MAX: Final = 16_384
"""Codes of a law that is kept as a table; a chart with more is worked out each time."""

_LSB: Final = 0x7F
"""The bits of a value in two parts that go in its second part."""

LAWS_KEPT: Final = 8
"""Laws over codes that are kept once they are built, for whoever asks for the same again: a fine one has 16,384 levels,
and reading a show asks for it at every step."""

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
    """A law over whole numbers: a level for each code from `first` on, rising or falling. `off`: the code for off,
    where it is none of these or one of several. `in_two_parts`: the value goes as MSB and LSB, and the MSB alone counts
    as a value too (MIDI 1.0), so only codes are said whose MSB alone is no louder.

    Raises WireError where the levels turn round, or where nothing can be said safely.
    """

    def __init__(
        self, levels: Sequence[Level], first: int = 0, off: int | None = None, *, in_two_parts: bool = False
    ) -> None:
        self.levels = tuple(levels)
        self.first = first
        self.off = off
        codes = range(first, first + len(self.levels))
        # Fine laws say the same hundredth by several codes; the first of them serves, so it is put last.
        found = dict(zip(reversed(self.levels), reversed(codes), strict=True))
        quiet = found.pop(OFF, None)
        if off is None:
            self.off = quiet
        by_level: dict[int, int] = found  # type: ignore[assignment]
        order: list[int] = [level for level in dict.fromkeys(self.levels) if level is not OFF]
        self._falls = len(order) > 1 and order[1] < order[0]
        steps = sorted(by_level)
        if order != (steps[::-1] if self._falls else steps):
            raise WireError("the levels of a value law have to rise with its codes, or fall with them")
        if in_two_parts:
            alone = {coarse: self._alone(coarse) for coarse in {code & ~_LSB for code in by_level.values()}}
            steps = [level for level in steps if alone[by_level[level] & ~_LSB] <= level]
            self._check_parts(steps)
        self._codes = tuple(by_level[step] for step in steps)
        self.grid = Grid(steps=tuple(steps), has_off=self.off is not None)

    def _alone(self, coarse: int) -> float:
        """How loud a code is whose LSB has not come: a height; infinite where nothing says."""
        try:
            return height(self.level(coarse))
        except WireError:
            # A desk that is told less than its lowest value may take it for the lowest.
            return -math.inf if coarse < self.first and not self._falls else math.inf

    def _check_parts(self, steps: Sequence[int]) -> None:
        if not steps:
            raise WireError("a value in two parts would be louder than any level while its first part stands alone")
        if self.off is not None and self._alone(self.off & ~_LSB) > height(OFF):
            raise WireError(
                f"the value for off, {self.off}, goes in two parts, and its first part alone would be heard: take one "
                "that is below all levels, or a multiple of 128"
            )

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
        last = self.first + len(self.levels) - 1
        if self.first <= code <= last and code == int(code):
            return self.levels[int(code) - self.first]
        if code == self.off:
            return OFF
        raise WireError(f"{code} is outside {self.first} to {last}")


class Point(Struct, frozen=True):
    """One point of a chart: a code and its level."""

    code: float
    level: Level


class SmoothLaw:
    """A law by formulas over the codes from `low` to `high`: real numbers (OSC floats), or `whole` ones. It says levels
    in steps of `step` hundredths. `off` lies outside; what is on its side counts as off too."""

    def __init__(
        self,
        ends: tuple[Point, Point],
        to_level: Callable[[float], float],
        to_code: Callable[[int], float],
        *,
        off: float | None,
        step: int,
        whole: bool = False,
    ) -> None:
        self.off = off
        self._low, self._high = ends[0].code, ends[1].code
        self._to_level, self._to_code, self._whole = to_level, to_code, whole
        error = 0.0 if whole else FLOAT_ERROR
        self._least, self._most = self._low - error * abs(self._low), self._high + error * abs(self._high)
        if off is not None and 2 * self._least - self._low <= off <= 2 * self._most - self._high:
            raise WireError("the code for off is too near to the others to be told apart")
        self._lowest, self._highest = sorted(height(end.level) for end in ends)
        self.grid = Grid(steps=range(self._lowest, self._highest + 1, step), has_off=off is not None)

    def code(self, level: Level) -> Code:
        """The number for a level."""
        if isinstance(level, Off):
            if self.off is not None:
                return round(self.off) if self._whole else self.off
            level = self._lowest
        code = self._to_code(min(max(level, self._lowest), self._highest))
        return round(code) if self._whole else code

    def level(self, code: Code) -> Level:
        """The level for a number: a step of the law for a whole one. Beyond the end on whose side off is, it is off."""
        if not math.isfinite(code):
            raise WireError(f"{code} is no number")
        if self._whole and code != int(code):
            raise WireError(f"{code} is outside {self._low:g} to {self._high:g}: it is not whole")
        if not self._least <= code <= self._most:
            if self.off is not None and (code < self._low) == (self.off < self._low):
                return OFF
            raise WireError(f"{code} is outside {self._low:g} to {self._high:g}")
        level = round(self._to_level(code))
        return self.grid.nearest(level, self.grid.highest) if self._whole else level


class LineLaw(SmoothLaw):
    """Straight lines between points. Over `whole` numbers every step needs a code of its own: WireError where not."""

    def __init__(self, points: Sequence[Point], step: int = 10, *, whole: bool = False) -> None:
        off, codes, levels = _chart(points)
        self.codes, self.levels = codes, levels
        falls = levels[-1] < levels[0]
        by_level = (levels[::-1], codes[::-1]) if falls else (levels, codes)
        if whole and any(b - a < abs(after - before) / step for (a, b), (before, after) in _sides(codes, levels)):
            raise WireError(f"the chart has fewer values than steps of {step / 100:g} dB; make `step` larger")
        super().__init__(
            (Point(codes[0], levels[0]), Point(codes[-1], levels[-1])),
            lambda code: _between(code, codes, levels),
            lambda level: _between(level, *by_level),
            off=off,
            step=step,
            whole=whole,
        )


def power_over_numbers(factor: int, top: float, lowest: int, highest: int, step: int) -> SmoothLaw:
    """The power law over real numbers: `top` stands for `highest` (hundredths of a dB), 0 for off."""
    low = top * 10 ** ((lowest - highest) / factor)

    def to_level(code: float) -> float:
        return max(lowest, highest + factor * math.log10(max(code, low) / top))

    def to_code(level: int) -> float:
        return float(top * 10 ** ((level - highest) / factor))

    ends = Point(low, lowest), Point(top, highest)
    return SmoothLaw(ends, to_level, to_code, off=0, step=step)


@lru_cache(LAWS_KEPT)
def power_over_codes(factor: int, top: int, highest: int, *, in_two_parts: bool = False) -> StepLaw:
    """The power law over the codes 1 to `top`: `factor` and `highest` in hundredths of a dB; 0 is off."""
    levels: list[Level] = [
        OFF,
        *(hundredths((highest + factor * math.log10(v / top)) / 100) for v in range(1, top + 1)),
    ]
    return StepLaw(levels, in_two_parts=in_two_parts)


def gm2(top: int, *, in_two_parts: bool = False) -> StepLaw:
    """The GM2 volume law over the codes 0 to `top`: 127, or 16,383 in two parts."""
    return power_over_codes(4_000, top, 0, in_two_parts=in_two_parts)


def even_steps(low: int, step: int, first: int, last: int, off: int | None, *, in_two_parts: bool = False) -> StepLaw:
    """Code `first` is the level `low`, each code is `step` hundredths more, up to `last`. `off` is another code."""
    levels: list[Level] = [low + step * at for at in range(last - first + 1)]
    if off is not None and first <= off <= last:
        raise WireError(f"the value for off, {off}, is that of a level: levels have the values {first} to {last}")
    if off is not None and off == first - 1:
        return StepLaw([OFF, *levels], first=off, in_two_parts=in_two_parts)
    return StepLaw(levels, first=first, off=off, in_two_parts=in_two_parts)


def points_over_codes(points: Sequence[Point], step: int = 10, *, in_two_parts: bool = False) -> Law:
    """Whole codes, with straight lines between the points of a chart; the first or the last may be off, and so is what
    lies between it and the next."""
    return _points_over_codes(tuple(points), step, in_two_parts)


@lru_cache(LAWS_KEPT)
def _points_over_codes(points: Sequence[Point], step: int, in_two_parts: bool) -> Law:
    off, codes, levels = _chart(points)
    first, last = round(points[0].code), round(points[-1].code)
    if last - first >= TABLE_MAX:
        return LineLaw(points, step, whole=True)
    table: list[Level] = [OFF] * (last - first + 1)
    begin = max(first, math.ceil(codes[0]))
    for (left, right), (low, high) in _sides(codes, levels):
        end = min(last, math.floor(right)) + 1
        wide, up = right - left, high - low
        table[begin - first : end - first] = [round(low + (code - left) / wide * up) for code in range(begin, end)]
        begin = end
    return StepLaw(table, first=first, off=None if off is None else round(off), in_two_parts=in_two_parts)


def _chart(points: Sequence[Point]) -> tuple[float | None, list[float], list[int]]:
    """The code of `off`, and the codes and levels of the other points. Raises WireError unless the codes rise, the
    levels rise or fall, and only the first or the last is off."""
    if any(not abs(point.code) <= CODE_MAX for point in points):
        raise WireError(f"the codes of a value law go from {-CODE_MAX} to {CODE_MAX}")
    off = [at for at, point in enumerate(points) if isinstance(point.level, Off)]
    if len(off) > 1 or not set(off) <= {0, len(points) - 1}:
        raise WireError("only the first or the last point of a value law may be off")
    if any(after.code <= before.code for before, after in pairwise(points)):
        raise WireError("the codes of a value law have to rise from point to point")
    levels = [point.level for point in points if not isinstance(point.level, Off)]
    if len(levels) < 2:
        raise WireError("a value law needs at least two points with a level")
    steps = [after - before for before, after in pairwise(levels)]
    if not (all(step > 0 for step in steps) or all(step < 0 for step in steps)):
        raise WireError("the levels of a value law have to rise from point to point, or to fall")
    codes = [point.code for point in points if not isinstance(point.level, Off)]
    return points[off[0]].code if off else None, codes, levels


def _sides(codes: Sequence[float], levels: Sequence[int]) -> zip[tuple[tuple[float, float], tuple[int, int]]]:
    """The pieces of a chart: their codes and their levels."""
    return zip(pairwise(codes), pairwise(levels), strict=True)


def _between(x: float, xs: Sequence[float], ys: Sequence[float]) -> float:
    at = min(max(bisect_left(xs, x), 1), len(xs) - 1)
    left, right = xs[at - 1], xs[at]
    part = min(max((x - left) / (right - left), 0.0), 1.0)
    return ys[at - 1] + part * (ys[at] - ys[at - 1])
