"""Figures against numpy, and the verdicts against evenings in which something was planted."""

from __future__ import annotations

import random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench_parts.figures import figure, jitter, median, p99, percentile, ratio, slope
from bench_parts.proc import Held
from bench_parts.table import HEAD, as_markdown, as_text, pair
from bench_parts.verdict import GROWS_MAX_MB, KB, SLOWER_MAX, Sample, judged

VALUES = st.lists(st.integers(0, 10**9), min_size=1, max_size=300)


@given(VALUES, st.integers(1, 100))
def test_a_percentile_is_the_one_of_numpy(values: list[int], part: int) -> None:
    """numpy's `inverted_cdf`: Hyndman and Fan, 1996, the first definition."""
    assert percentile(values, part) == np.percentile(values, part, method="inverted_cdf")


@given(st.lists(st.tuples(st.integers(0, 99), st.integers(-1_000, 1_000)), min_size=2, max_size=40))
def test_a_slope_is_the_one_of_numpy(points: list[tuple[int, int]]) -> None:
    if len({x for x, _ in points}) > 1:
        fit = np.polyfit([x for x, _ in points], [y for _, y in points], 1)
        assert slope(points) == pytest.approx(fit[0], abs=1e-6)


def test_a_ratio_of_two_ways_has_the_true_one_between_its_bounds() -> None:
    """The machine drifts to three times as slow, and hits both ways; the ratio is 2 throughout."""
    dice = random.Random(3)
    drift = [1 + 2 * at / 19 for at in range(20)]
    ours, bare = ([[dice.gauss(100, 5) * by * one for _ in range(50)] for one in drift] for by in (2, 1))
    found = ratio(ours, bare, median)
    assert found.low <= 2 <= found.high
    assert found.high / found.low < 1.05
    alone = figure(ours, median)
    assert alone.high / alone.low > 1.2
    assert found == ratio(ours, bare, median)


def test_blocks_without_a_value_or_a_partner_are_refused() -> None:
    with pytest.raises(ValueError, match="without a value"):
        figure([[1.0], []], median)
    with pytest.raises(ValueError, match="2 blocks beside 1"):
        ratio([[1.0], [2.0]], [[1.0]], median)


def test_a_table_has_every_figure_in_its_column() -> None:
    """1 … 200: the median is 100, the 99th percentile 198."""
    values = [[float(one) for one in range(1, 101)], [float(one) for one in range(101, 201)]]
    assert [of([*values[0], *values[1]]) for of in (median, p99, jitter)] == [100, 198, 98]
    halves = [[one / 2 for one in block] for block in values]
    lines = pair(("ours", values), [("bare", halves)], "µs", 1, tails=True, notes=("lost 0",))
    text = as_text(lines)
    assert all(cell in text[0] for cell in HEAD)
    assert [text[1].split()[at] for at in (0, 1, 2, 6, 7)] == ["ours", "µs", "100.0", "198.0", "98.00"]
    assert "2.00 (2.00 … 2.00) ×, 2.00 ×" in text[1]
    assert {line.count("|") for line in as_markdown(lines)} == {len(HEAD) + 1}


def evening(count: int = 25) -> list[Sample]:
    """A night in which nothing grows, and everything trembles."""
    dice = random.Random(5)
    return [
        Sample(
            float(at),
            {"program": Held(50_000 + dice.randint(-50, 50), 40_000, 20, 8)},
            {"OSC": 1e6 * dice.uniform(0.95, 1.05)},
        )
        for at in range(count)
    ]


def bad(samples: list[Sample]) -> list[str]:
    return [one.says.split(",")[0] for one in judged(samples) if not one.well]


def test_an_evening_in_which_nothing_grows_is_well() -> None:
    assert bad(evening()) == []


def test_what_grows_is_found() -> None:
    """At the bound and a little below it; one file that stays open, one thread more; presses that get slower."""
    still = evening()

    def grows(by_mb: float) -> list[Sample]:
        step = by_mb * 1e6 / KB / (len(still) - 1)
        return [
            one._replace(held={"program": Held(50_000 + round(at * step), 40_000, 20, 8)})
            for at, one in enumerate(still)
        ]

    assert bad(grows(GROWS_MAX_MB * 0.98)) == []
    assert [one[:15] for one in bad(grows(GROWS_MAX_MB * 1.02))] == ["program: memory"]
    held = still[-1].held["program"]
    for more in (held._replace(files=21), held._replace(threads=9)):
        [one] = bad([*still[:-1], still[-1]._replace(held={"program": more})])
        assert "open files" in one
    slower = [
        one._replace(medians={"OSC": 1e6 * (1 if at < 12 else SLOWER_MAX * 1.02)}) for at, one in enumerate(still)
    ]
    assert [one[:14] for one in bad(slower)] == ["press over OSC"]


def test_too_few_samples_are_no_evening() -> None:
    with pytest.raises(ValueError, match="at least 4"):
        judged(evening(3))
    silent = [one._replace(medians={} if at else one.medians) for at, one in enumerate(evening())]
    assert [one for one in judged(silent) if "1 stretches only" in one.says and not one.well]
