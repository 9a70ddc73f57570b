"""Levels: their arithmetic against that of uncorrelated sums, their texts, their edges."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stagectl.core.levels import OFF, Level, as_db, change_text, height, hundredths, text, uncorrelated_sum

# L = 10·log10 Σ 10^(Li/10): arithmetic of uncorrelated sums. 10·log10 2 = 3.0103, 10·log10 3 = 4.771,
# 10·log10 10 = 10; 62.0 with 73.0 dB is 73.3, 90 with 90 is 93.
SUMS: list[tuple[list[Level], Level, int]] = [
    ([0, 0], 301, 0),
    ([-1_000, -1_000], -699, 0),
    ([0, 0, 0], 477, 0),
    ([0] * 10, 1_000, 0),
    ([6_200, 7_300], 7_330, 5),
    ([9_000, 9_000], 9_300, 5),
    ([-600], -600, 0),
    ([-600, OFF, OFF], -600, 0),
    ([OFF, OFF], OFF, 0),
    ([], OFF, 0),
]


@pytest.mark.parametrize(("levels", "together", "within"), SUMS)
def test_uncorrelated_sums(levels: list[Level], together: Level, within: int) -> None:
    found = uncorrelated_sum(levels)
    if isinstance(found, int) and isinstance(together, int):
        assert abs(found - together) <= within
    else:
        assert found is together


@given(st.lists(st.integers(-12_000, 2_000), min_size=1, max_size=64))
def test_sums_agree_with_numpy(levels: list[int]) -> None:
    found = uncorrelated_sum(levels)
    expected = 10 * np.log10(np.sum(np.power(10.0, np.asarray(levels, dtype=np.float64) / 1_000)))
    assert isinstance(found, int)
    assert abs(found / 100 - float(expected)) <= 0.005_001
    assert max(levels) <= found <= max(levels) + math.ceil(1_000 * math.log10(len(levels)))


@pytest.mark.parametrize(
    ("db", "level"),
    [
        (0.0, 0),
        (-0.0, 0),
        (-6.0, -600),
        (1.5, 150),
        (0.005, 1),
        (-0.005, -1),
        (0.0049, 0),
        (-12.345, -1235),
        (0.29, 29),
    ],
)
def test_hundredths_are_rounded_away_from_zero(db: float, level: int) -> None:
    assert hundredths(db) == level


@given(st.integers(-12_000, 2_000))
def test_hundredths_survive_the_way_through_db(level: int) -> None:
    db = as_db(level)
    assert isinstance(db, float)
    assert hundredths(db) == level


@pytest.mark.parametrize("db", [math.nan, math.inf, -math.inf])
def test_what_is_not_finite_is_no_level(db: float) -> None:
    with pytest.raises(ValueError, match="finite"):
        hundredths(db)


@pytest.mark.parametrize(
    ("level", "said"),
    [
        (-600, "-6 dB"),
        (150, "+1.5 dB"),
        (0, "0 dB"),
        (-1, "-0.01 dB"),
        (-1_000, "-10 dB"),
        (1_205, "+12.05 dB"),
        (OFF, "off"),
        (None, "unknown"),
    ],
)
def test_levels_as_a_musician_reads_them(level: Level | None, said: str) -> None:
    assert text(level) == said


@pytest.mark.parametrize(("change", "said"), [(150, "+1.5"), (-600, "-6"), (0, "0"), (2_000, "+20"), (-12_000, "-120")])
def test_changes_have_their_sign(change: int, said: str) -> None:
    assert change_text(change) == said


def test_off_says_off_and_is_below_everything() -> None:
    assert as_db(OFF) == "off"
    assert repr(OFF) == "OFF"
    assert height(OFF) < height(-12_000) < height(2_000)
