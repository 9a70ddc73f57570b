"""What dice make of bytes: always what they were asked for, the simplest where there are none."""

from __future__ import annotations

from random import Random

from dice import Dice, thrown
from hypothesis import find, given
from hypothesis import strategies as st


@given(st.binary(max_size=8), st.integers(-20_000, 20_000), st.integers(0, 10**9))
def test_a_number_is_within_its_bounds(raw: bytes, low: int, span: int) -> None:
    assert low <= Dice(raw).between(low, low + span) <= low + span
    assert 0 <= Dice(raw).below(span + 1) <= span


def test_every_number_comes_up_and_ends_more_often() -> None:
    every = [Dice(bytes((edge, at))).between(-3, 6) for edge in range(16) for at in range(250)]
    assert {*every} == {*range(-3, 7)}
    assert min(every.count(-3), every.count(6)) > 1.5 * every.count(2)


def test_without_bytes_it_is_the_simplest() -> None:
    dice = Dice(b"")
    assert [dice.between(-5, 5), dice.between(3, 9), dice.between(-9, -4)] == [0, 3, -4]
    assert (dice.below(7), dice.coin(), dice.one("abc"), dice.each("abc")) == (0, False, "a", [])
    assert (dice.many(3, dice.coin), dice.maybe(dice.coin)) == ([], None)


def test_what_is_thrown_is_made_small() -> None:
    numbers = thrown(lambda dice: dice.many(5, lambda: dice.between(-100, 1_000)), 20)
    assert {0, *find(numbers, lambda some: max(some, default=0) > 40, random=Random(1))} == {0, 41}
