"""How far a lead stands above the rest of a mix: against tables and exact arithmetic, then its properties.

Outside sources: the sum of uncorrelated signals, 10·log10 Σ 10^(L/10) (ISO 9613-2 and every acoustics table), whose
worked figures are named beside each check; `decimal` with 40 digits as a second opinion.
"""

from __future__ import annotations

from decimal import Decimal, localcontext

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stagectl.core.levels import OFF, Level, Off
from stagectl.ears.clarity import RIVAL, Clarity, clarity

LEVELS = st.one_of(st.integers(-6_000, 1_000), st.just(OFF), st.none())
MIXES = st.lists(LEVELS, min_size=1, max_size=12).map(tuple)


def above(*levels: Level | None) -> int | None:
    """The figure of a mix that is led by its first input."""
    return clarity(levels, 0).above


@pytest.mark.parametrize(
    ("rest", "figure"),
    [
        # Two equal uncorrelated signals are 3.0103 dB above one of them, three 4.771, ten 10 (10·log10 n).
        ([0], 0),
        ([0, 0], -301),
        ([0, 0, 0], -477),
        ([0] * 10, -1_000),
        # 62.0 + 73.0 = 73.3 and 90 + 90 = 93, as printed in tables of level addition; here 90 dB below.
        ([-2_800, -1_700], 1_667),
        ([-1_700, -2_800], 1_667),
        ([-9_000, -9_000], 8_699),
        # A power ratio of 3.9811 is 6 dB: four signals 6 dB down are 0.02 dB louder than the lead.
        ([-600] * 4, -2),
    ],
)
def test_printed_sums(rest: list[Level], figure: int) -> None:
    assert above(0, *rest) == figure


@given(MIXES, st.data())
def test_the_figure_is_that_of_exact_arithmetic(levels: tuple[Level | None, ...], data: st.DataObject) -> None:
    lead = data.draw(st.integers(0, len(levels) - 1))
    found = clarity(levels, lead)
    with localcontext() as context:
        context.prec = 40
        others = [Decimal(x) for at, x in enumerate(levels) if at != lead and isinstance(x, int)]
        own = levels[lead]
        if isinstance(own, Off) or own is None or not others:
            assert found.above is None
            return
        power = sum((Decimal(10) ** (x / 1_000) for x in others), Decimal(0))
        rest = 1_000 * power.log10()
        assert found.above is not None and abs(found.above - (own - rest)) <= Decimal("0.501")
        assert found.rivals == sum(x >= own - 600 for x in others)
        # Rounded once, halves away from zero: where an exact half is near, either is.
        tenths = (own - rest) / 10
        assert found.tenths is not None and abs(found.tenths - tenths) <= Decimal("0.5") + Decimal("1e-9")


@given(MIXES, st.integers(-2_000, 2_000))
def test_a_louder_mix_is_no_clearer(levels: tuple[Level | None, ...], by: int) -> None:
    """All moved alike, as by the master of the whole mix. (The sum is rounded to a hundredth.)"""
    moved = tuple(level + by if isinstance(level, int) else level for level in levels)
    one, other = clarity(levels, 0), clarity(moved, 0)
    assert (one.is_in, one.rivals) == (other.is_in, other.rivals)
    assert (one.above is None) == (other.above is None)
    assert abs((one.above or 0) - (other.above or 0)) <= 1


@given(MIXES, st.integers(-6_000, 1_000), st.permutations(range(12)))
def test_more_of_the_rest_never_makes_it_clearer(
    levels: tuple[Level | None, ...], another: int, order: list[int]
) -> None:
    one, other = clarity(levels, 0), clarity((*levels, another), 0)
    assert other.rivals >= one.rivals
    if one.above is not None:
        assert other.above is not None and other.above <= one.above
    shuffled = (levels[0], *(levels[1:][at] for at in order if at < len(levels) - 1))
    assert clarity(shuffled, 0) == one


@pytest.mark.parametrize(
    ("rest", "rivals"),
    [
        ([-1_000 - RIVAL], 1),
        ([-1_000 - RIVAL - 1], 0),
        ([-1_000 - RIVAL + 1, 400, OFF, None], 2),
        ([], 0),
    ],
)
def test_what_competes_is_at_most_6_db_below_or_anywhere_above(rest: list[Level | None], rivals: int) -> None:
    assert clarity((-1_000, *rest), 0).rivals == rivals


@pytest.mark.parametrize(
    ("levels", "expected", "says"),
    [
        ((OFF, -600, 0), Clarity(OFF, 97, 0), "not in the mix"),
        ((None, -600), Clarity(OFF, -600, 0), "not in the mix"),
        ((OFF,), Clarity(OFF, OFF, 0), "not in the mix"),
        ((-300, OFF, None), Clarity(-300, OFF, 0), "alone"),
        ((-300, -720), Clarity(-300, -720, 1, 42), "4.2 dB above"),
        ((-720, -300), Clarity(-720, -300, 1, -42), "4.2 dB below"),
        # 10·log10(10^-2.7 + 10^-0.8) = -7.9457, which is -7.95 and -7.9, and not -8.0.
        ((0, -2_700, -800), Clarity(0, -795, 0, 79), "7.9 dB above"),
        ((-300, -300), Clarity(-300, -300, 1, 0), "0.0 dB below"),
    ],
)
def test_how_it_is_said(levels: tuple[Level | None, ...], expected: Clarity, says: str) -> None:
    found = clarity(levels, 0)
    assert found == expected
    assert found.text() == says
