"""The estimate of a track's zero: against a plain list of all messages, and what it is for."""

from __future__ import annotations

from itertools import accumulate
from random import Random
from statistics import pstdev

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stagectl.tracks.line import LATE_MAX, LEAP_NS, MESSAGES_MIN, WINDOW_NS, Line

MS = 1_000_000
GAPS = st.lists(st.tuples(st.integers(0, 60 * MS), st.integers(0, LEAP_NS)), min_size=1, max_size=200)


@given(GAPS, st.integers(-(10**15), 10**15))
def test_the_zero_is_the_earliest_of_those_that_count(gaps: list[tuple[int, int]], zero: int) -> None:
    """Messages at times apart by a gap, each late by at most a leap: the minimum over a list of all."""
    line, kept = Line(), []
    times = accumulate(gap for gap, _ in gaps)
    for number, (time, (_, delay)) in enumerate(zip(times, gaps, strict=True), 1):
        assert not line.add(time - zero - delay, time)
        kept.append((number, time, zero + delay))
        counted = [one for n, at, one in kept if time - at <= WINDOW_NS or number - n < MESSAGES_MIN]
        assert line.zero == min(counted)


# Every 2 ms a second is 497 more that are 5 ms late; at 20 and 400 ms it is 48 messages that count.
@pytest.mark.parametrize(("gap", "counts"), [(2 * MS, 497), (20 * MS, 49), (21 * MS, 47), (400 * MS, 47)])
def test_a_message_counts_for_a_second_or_as_one_of_48(gap: int, counts: int) -> None:
    line = Line()
    line.add(0, 0)
    zeros = []
    for number in range(1, 600):
        line.add(number * gap, number * gap + 5 * MS)
        zeros.append(line.zero)
    assert zeros == [0] * counts + [5 * MS] * (599 - counts)


@given(st.integers(LEAP_NS + 1, 10**13), st.integers(0, 10 * MS))
def test_a_leap_ahead_counts_at_once(leap: int, delay: int) -> None:
    line = Line()
    for at in range(0, 500 * MS, 20 * MS):
        line.add(at, at)
    assert line.add(500 * MS + leap + delay, 500 * MS + delay)
    assert line.zero == -leap


@given(st.integers(LEAP_NS + 1, 10**13), st.lists(st.integers(0, 10 * MS), min_size=LATE_MAX, max_size=LATE_MAX))
def test_a_leap_back_counts_when_enough_agree(leap: int, delays: list[int]) -> None:
    line = Line()
    for at in range(0, 500 * MS, 20 * MS):
        line.add(at, at)
    told = []
    for number, delay in enumerate(delays):
        at = (500 + 20 * number) * MS
        told.append(line.add(at - leap, at + delay))
    assert told == [False] * (LATE_MAX - 1) + [True]
    assert line.zero == leap + min(delays)


def test_single_late_messages_are_passed_over() -> None:
    line = Line()
    for number in range(1_000):
        at = number * 20 * MS
        late = 0 if number % LATE_MAX == 0 else 200 * MS
        assert not line.add(at, at + late)
        assert line.zero == 0


def test_nothing_is_known_at_first_and_after_it_was_cleared() -> None:
    line = Line()
    assert line.zero is None and not line.near(0, 0)
    line.add(10, 15)
    assert line.zero == 5 and line.near(0, 0) and not line.near(0, 10**9)
    line.clear()
    assert line.zero is None


@pytest.mark.parametrize("seed", range(5))
def test_it_trembles_far_less_than_what_it_hears(seed: int) -> None:
    """Delays spread evenly over 10 ms have a deviation of 10/√12 = 2.89 ms; of the earliest of 48 it is 0.2 ms (the
    minimum of n even numbers is at 1/(n + 1), with about that deviation)."""
    chance, line = Random(seed), Line()
    delays, zeros = [], []
    for number in range(2_000):
        at, delay = number * 21 * MS, chance.randrange(10 * MS)
        line.add(at, at + delay)
        if number >= MESSAGES_MIN:
            assert line.zero is not None
            delays.append(delay)
            zeros.append(line.zero)
    assert 2.7 * MS < pstdev(delays) < 3.1 * MS
    assert pstdev(zeros) < 0.3 * MS
    assert max(zeros) < 3 * MS
