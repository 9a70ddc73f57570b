"""Numbers of bytes in words.

Outside judge: the prefixes of the SI (BIPM, The International System of Units, table 7: k, M, G, T are 10 to the 3rd,
6th, 9th and 12th), which IEC 80000-13 has bytes take; and `decimal`, which rounds exactly.
"""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stagectl.story.sizes import size_text

PREFIXES = {"B": 0, "kB": 3, "MB": 6, "GB": 9, "TB": 12}


@pytest.mark.parametrize(
    ("size", "says"),
    [
        *((0, "0 B"), (1, "1 B"), (999, "999 B"), (1_000, "1.0 kB"), (9_949, "9.9 kB"), (9_950, "10 kB")),
        *((12_345, "12 kB"), (999_499, "999 kB"), (999_500, "1.0 MB"), (10**9, "1.0 GB"), (999_499_999, "999 MB")),
        *((84 * 10**9, "84 GB"), (5 * 10**12, "5.0 TB"), (4_321 * 10**12, "4,321 TB")),
    ],
)
def test_how_sizes_are_said(size: int, says: str) -> None:
    assert size_text(size) == says


@given(st.one_of(st.integers(0, 10**15), st.integers(0, 10_000)))
def test_what_is_said_is_right_to_two_figures(size: int) -> None:
    number, unit = size_text(size).split(" ")
    value = Decimal(number.replace(",", ""))
    said = value.scaleb(PREFIXES[unit])
    assert abs(said - size) <= Decimal(size) / 20
    assert value < 1_000 or unit == "TB"
    assert value >= 1 or unit == "B"


@given(st.integers(0, 10**13), st.integers(0, 10**13))
def test_more_is_never_said_to_be_less(one: int, other: int) -> None:
    def said(size: int) -> Decimal:
        number, unit = size_text(size).split(" ")
        return Decimal(number.replace(",", "")).scaleb(PREFIXES[unit])

    low, high = sorted((one, other))
    assert said(low) <= said(high)
