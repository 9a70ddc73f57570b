"""How figures are told: one rule for percentiles, and how sure each figure is.

A percentile is the smallest of the values that at least so many of them do not exceed: no value is made up between two.
(The first of the nine kinds in Hyndman and Fan, "Sample Quantiles in Statistical Packages", 1996; numpy calls it
`inverted_cdf`.)

Values come in blocks: some presses the one way, some the other, and again, so that whatever else the machine does hits
both. How sure a figure is comes from the blocks: as many are drawn as there are, with replacement, the figure is worked
out again, and so on; 95 % of what comes out lies between `low` and `high` (the bootstrap, by whole blocks, since
neighbours resemble each other). For a ratio the blocks of both ways are drawn together.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from itertools import chain
from typing import Final, NamedTuple

DRAWS: Final = 500
"""How often blocks are drawn."""

OUTSIDE: Final = 5
"""Percent of the draws that lie outside `low` and `high`."""

Blocks = Sequence[Sequence[float]]


class Figure(NamedTuple):
    """A figure, and where 95 % of the draws lie; any unit."""

    value: float
    low: float
    high: float


def percentile(values: Sequence[float], part: int) -> float:
    """The smallest value that at least `part` percent (1 … 100) of the values do not exceed."""
    ordered = sorted(values)
    return ordered[max(0, -(-part * len(ordered) // 100) - 1)]


def median(values: Sequence[float]) -> float:
    """By the same rule."""
    return percentile(values, 50)


def p99(values: Sequence[float]) -> float:
    """The 99th percentile."""
    return percentile(values, 99)


def jitter(values: Sequence[float]) -> float:
    """From the median to the 99th percentile."""
    ordered = sorted(values)
    return percentile(ordered, 99) - percentile(ordered, 50)


def figure(blocks: Blocks, of: Callable[[Sequence[float]], float]) -> Figure:
    """A figure of all values together. Raises ValueError where there are none."""
    return _drawn((blocks,), lambda pools: of(pools[0]))


def ratio(ours: Blocks, bare: Blocks, of: Callable[[Sequence[float]], float]) -> Figure:
    """By what one way's figure is the other's. Blocks of one number belong together."""
    if len(ours) != len(bare):
        raise ValueError(f"{len(ours)} blocks beside {len(bare)}")
    return _drawn((ours, bare), lambda pools: of(pools[0]) / of(pools[1]))


def _drawn(ways: Sequence[Blocks], of: Callable[[list[list[float]]], float]) -> Figure:
    if not all(block for blocks in ways for block in blocks) or not ways[0]:
        raise ValueError("a block without a value")
    count = len(ways[0])

    def pooled(which: Sequence[int]) -> list[list[float]]:
        return [list(chain.from_iterable(blocks[at] for at in which)) for blocks in ways]

    dice = random.Random(1)
    draws = sorted(of(pooled(dice.choices(range(count), k=count))) for _ in range(DRAWS))
    beyond = DRAWS * OUTSIDE // 200
    return Figure(of(pooled(range(count))), draws[beyond], draws[DRAWS - 1 - beyond])


def slope(points: Sequence[tuple[float, float]]) -> float:
    """How steep the straight line is that lies nearest to the points, by least squares: up per one to the right. 0 for
    fewer than two points, or where all stand above one another."""
    if not points:
        return 0.0
    x0 = sum(x for x, _ in points) / len(points)
    y0 = sum(y for _, y in points) / len(points)
    across = sum((x - x0) ** 2 for x, _ in points)
    return sum((x - x0) * (y - y0) for x, y in points) / across if across else 0.0
