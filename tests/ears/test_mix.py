"""Mixes over time: against sums from a textbook, against a model that looks at every nanosecond, and their laws."""

from __future__ import annotations

import itertools
import math
from random import Random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stagectl.core.levels import OFF, Level, Off
from stagectl.core.plan import Levels
from stagectl.ears import mix
from stagectl.ears.mix import Course, Ears, Mixes, mix_sum

LEVELS = st.one_of(st.just(OFF), st.integers(-6_000, 1_000))


@pytest.mark.parametrize(
    ("sends", "whole", "together", "within"),
    [
        # L = 10·log10 Σ 10^(Li/10): 62.0 + 73.0 = 73.3, 90 + 90 = 93, ten equal ones + 10. The whole mix adds in dB.
        ([6_200, 7_300], None, 7_330, 5),
        ([9_000, 9_000], 0, 9_300, 5),
        ([-2_000] * 10, None, -1_000, 0),
        ([-2_000] * 10, -600, -1_600, 0),
        ([-600, OFF, None], 250, -350, 0),
        ([-600, -600], OFF, OFF, 0),
        ([OFF, None], 0, OFF, 0),
    ],
)
def test_the_sum_of_a_mix(sends: list[Level | None], whole: Level | None, together: Level, within: int) -> None:
    found = mix_sum(sends, whole)
    if isinstance(together, Off) or isinstance(found, Off):
        assert found is together
    else:
        assert abs(found - together) <= within


CUTS = st.lists(st.integers(0, 1_000), max_size=8)


@given(st.lists(st.tuples(LEVELS, st.integers(1, 10**12)), min_size=1, max_size=10), CUTS, st.randoms())
def test_cuts_and_order_change_nothing(spans: list[tuple[Level, int]], cuts: list[int], chance: Random) -> None:
    whole = Course()
    pieces: list[tuple[Level, int]] = []
    for level, time in spans:
        whole.add(level, time)
        edges = sorted({0, time, *(time * cut // 1_000 for cut in cuts)})
        pieces += [(level, end - begin) for begin, end in itertools.pairwise(edges)]
    chance.shuffle(pieces)
    cut = Course()
    for level, time in pieces:
        cut.add(level, time)
    assert cut.time == whole.time
    assert sorted(cut.heard(-300)) == sorted(whole.heard(-300))


WIDTH, NAMES = 3, ("a", "b")
BASES = st.tuples(*[st.one_of(st.just(None), LEVELS) if at % WIDTH == 2 else LEVELS for at in range(6)])
EVENTS = st.lists(
    st.tuples(
        st.integers(0, 20),
        st.one_of(st.sampled_from(["one", "two"]), st.tuples(*[st.one_of(st.none(), LEVELS)] * 6)),
    ),
    max_size=12,
)


@given(BASES, EVENTS)
def test_it_collects_what_a_look_at_every_nanosecond_finds(
    base: Levels, events: list[tuple[int, str | Levels]]
) -> None:
    mixes, model = Mixes(NAMES, base), Ears()
    levels, found = list(base), [0 if base[at] is not None else None for at in (2, 5)]
    song, now = "", 0
    for wait, event in [*events, (5, "end")]:
        for moment in range(now, now + wait):
            for at, name in enumerate(NAMES):
                *sends, whole = levels[at * WIDTH : (at + 1) * WIDTH]
                moved = whole if found[at] is not None else None
                if isinstance(moved, int):
                    moved -= found[at] or 0
                if song:
                    model.add(name, song, mix_sum(sends, moved), moment, moment + 1)
        now += wait
        if event == "end":
            break
        if isinstance(event, str):
            song = event
            mixes.be_in(song, now)
            continue
        levels = [old if new is None else new for old, new in zip(levels, event, strict=True)]
        for at in range(2):
            master = levels[at * WIDTH + 2]
            if found[at] is None and isinstance(master, int):
                found[at] = master
        mixes.stand(event, now)
    ears = mixes.end(now)
    for name in NAMES:
        expected = {one: sorted(course.heard()) for one, course in model.songs(name).items()}
        assert {one: sorted(course.heard()) for one, course in ears.songs(name).items()} == expected
        assert ears.whole(name).time == model.whole(name).time


@given(st.lists(st.tuples(st.integers(-6_000, 1_000), st.integers(1, 10**12)), min_size=1, max_size=8))
def test_a_course_is_what_numpy_makes_of_it(spans: list[tuple[int, int]]) -> None:
    course = Course()
    for level, time in spans:
        course.add(level, time)
    levels, times = np.array(course.heard()).T
    given_levels, given_times = np.array(spans, dtype=np.float64).T
    assert float(times.sum()) == pytest.approx(float(given_times.sum()) / 1e9)
    energy = float((times * 10 ** (levels / 10)).sum())
    assert energy == pytest.approx(float((given_times / 1e9 * 10 ** (given_levels / 1_000)).sum()))


def test_nothing_counts_before_the_first_recall() -> None:
    mixes = Mixes(("a",), (-600, None))
    mixes.stand((-300, None), 5)
    assert mixes.end(10).whole("a").time == 0
    mixes.be_in("one", 20)
    assert mixes.end(30).whole("a").heard() == [(-3.0, 10 / 1e9)]


def test_a_whole_mix_that_the_base_does_not_drive_counts_by_how_far_it_was_moved() -> None:
    mixes = Mixes(("a",), (-600, None))
    mixes.be_in("one", 0)
    for now, whole in ((10, OFF), (20, -1_000), (30, -700), (40, OFF)):
        mixes.stand((None, whole), now)
    heard = dict(mixes.end(50).whole("a").heard())
    # It is taken to be open until it was found somewhere, at -10 dB; from there it went up by 3 dB, and off.
    assert {level: round(time * 1e9) for level, time in heard.items()} == {-6.0: 30, -3.0: 10, -math.inf: 10}


def test_its_bounds(monkeypatch: pytest.MonkeyPatch) -> None:
    course = Course()
    with pytest.raises(ValueError, match="ends before it begins"):
        course.add(0, -1)
    monkeypatch.setattr(mix, "LEVELS_MAX", 2)
    for level in (0, 1, 0):
        course.add(level, 1)
    course.add(2, 0)
    with pytest.raises(ValueError, match="more than 2 levels"):
        course.add(2, 1)
    assert course.time == 3
