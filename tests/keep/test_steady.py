"""What is steady, compared with numpy's median and with counting by hand."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from stagectl.keep.evidence import SILENT
from stagectl.keep.steady import LEAST, SHARE, STEP, TOLERANCE, agrees, less, rounded, steady

SHIFTS = st.integers(-12, 12).map(lambda half: half * 50)


@given(st.lists(SHIFTS, min_size=1, max_size=12))
def test_the_median_of_those_that_go_the_way_of_most(values: list[int]) -> None:
    found = steady(values, 0)
    sides = [[one for one in values if one > 0], [one for one in values if one < 0]]
    most = max(sides, key=len)
    enough = 3 * len(most) >= 2 * len(values)
    middle = float(np.median(most)) if most else 0.0
    near = [one for one in most if abs(one - round(middle)) <= TOLERANCE]
    should = round(middle) if enough and 3 * len(near) >= 2 * len(values) and abs(middle) >= LEAST else 0
    assert found == should


@given(st.lists(SHIFTS, min_size=3, max_size=9), SHIFTS)
def test_one_odd_value_in_three_moves_nothing(values: list[int], odd: int) -> None:
    third = len(values) // 3
    some = [200] * (len(values) - third) + [odd] * third
    assert abs(steady(some, 0) - 200) <= (TOLERANCE if odd > 0 else 0)


@given(st.integers(-5_000, 5_000))
def test_rounding_is_to_the_nearest_half_and_away_from_nothing(by: int) -> None:
    assert rounded(by) % STEP == 0
    assert abs(rounded(by) - by) <= STEP / 2
    assert rounded(-by) == -rounded(by)
    assert rounded(by) == int(np.sign(by)) * STEP * int(np.floor(abs(by) / STEP + 0.5))


def test_off_is_a_way_of_its_own() -> None:
    assert steady([SILENT, SILENT, -100], 0) == SILENT
    assert steady([SILENT, -100, -100], 0) == -100
    assert steady([-3600, -3500, SILENT], SILENT) == -3550
    assert steady([SILENT, SILENT, -3500], SILENT) == SILENT
    assert not agrees(SILENT, -100, 0)
    assert (less(200, 150, 0), less(200, 0, 0), less(SILENT, SILENT, 0), less(SILENT, 200, 0)) == (50, 200, 0, SILENT)


def test_two_of_three_are_enough_and_one_of_two_is_not() -> None:
    assert SHARE * 3 <= 2
    assert (steady([200, 200, 0], 0), steady([200, 0], 0), steady([], 0)) == (200, 0, 0)
