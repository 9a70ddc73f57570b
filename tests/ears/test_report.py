"""The figures and the sentences for each case: hotter, colder, off, silent, used up, weekly."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stagectl.core.levels import OFF, Level
from stagectl.ears.exposure import CRITERIA, HOUR
from stagectl.ears.mix import SECOND, Ears
from stagectl.ears.report import Listener, Measured, as_json, figures, lines, long

NIOSH, ADULTS = CRITERIA["NIOSH 98-126"], CRITERIA["H.870 adults"]


def ears(*spans: tuple[Level, float], song: str = "one") -> Ears:
    """What a listener's mix stood at, hundredths of a dB, and for how long, h."""
    out, now = Ears(), 0
    for level, hours in spans:
        end = now + int(hours * HOUR) * SECOND
        out.add("a", song, level, now, end)
        now = end
    return out


def said(found: Ears, base: Level = 0, measured: Measured | None = None, criterion: str = "NIOSH 98-126") -> str:
    rule = CRITERIA[criterion]
    listener = Listener(name="a", base=base, measured=measured)
    return lines(rule, figures(rule, [listener], found))[1].removeprefix("  a: ")


METER = Measured(level=88, mix_sum=0, how="a meter")


@pytest.mark.parametrize(
    ("level", "against", "factor"),
    [
        # 2^(−2.1/3) = 0.6156, and 2^(1/3) = 1.26: NIOSH 98-126.
        (210, "2.1 dB hotter than base", "0.62"),
        (-100, "1.0 dB colder than base", "1.26"),
        (1_500, "15.0 dB hotter than base", "0.031"),
        (-1_500, "15.0 dB colder than base", "32"),
    ],
)
def test_without_a_measured_level_it_is_compared_with_the_base(level: Level, against: str, factor: str) -> None:
    says = f"{against}: the allowed time is {factor} times as long. Hottest: one, {against}."
    assert said(ears((level, 1))) == says


def test_what_is_as_hot_as_base_or_off_is_said_so() -> None:
    assert said(ears((4, 1))) == "as hot as base: the allowed time is the same. Hottest: one, as hot as base."
    assert said(ears((OFF, 1))) == "off all the time"


def test_a_base_that_is_off_is_nothing_to_compare_with() -> None:
    assert said(ears((0, 1)), base=OFF) == (
        "not measured, and the base of this mix is off, so there is nothing to compare with."
    )
    assert said(ears((0, 1)), base=OFF, measured=METER).startswith("88.0 dB(A) on average, 25 % of the day's dose")


@pytest.mark.parametrize(
    ("level", "hours", "criterion", "says"),
    [
        # NIOSH 98-126: 88 dB(A) for 4 h, 85 for 8 h, 100 for 15 min.
        (0, 1, "NIOSH 98-126", "25 % of the day's dose, 25 % an hour; at this level 3 h 0 min left of the day."),
        (0, 5, "NIOSH 98-126", "125 % of the day's dose, 25 % an hour; nothing is left of the day's dose."),
        (1_200, 0.1, "NIOSH 98-126", "40 % of the day's dose, 400 % an hour; at this level 9 min 0 s left of the day."),
        (-1_200, 1, "NIOSH 98-126", "1.6 % of the day's dose, 1.6 % an hour; at this level the day ends before it is "),
        # OSHA 1910.95 app. A: 88 dB(A) for 8 h / 2^((88 − 90)/5) = 10.56 h; 78 dB(A) is below the threshold.
        (0, 1, "OSHA 1910.95", "9.5 % of the day's dose, 9.5 % an hour; at this level 9 h 33 min left of the day."),
        (-1_000, 1, "OSHA 1910.95", "less than 0.001 % of the day's dose; at this level the day ends before"),
        # H.870: 80 dB(A) for 40 h a week, and so 88 for 40 / 10^0.8 = 6.34 h.
        (0, 2, "H.870 adults", "32 % of the week's dose, 16 % an hour; at this level 4 h 20 min left of the week."),
    ],
)
def test_with_a_measured_level_there_is_a_dose(level: int, hours: float, criterion: str, says: str) -> None:
    found = said(ears((level, hours)), measured=METER, criterion=criterion)
    assert found.startswith(f"{88 + level / 100:.1f} dB(A) on average, {says}")
    assert found.endswith(f"Hottest: one, {88 + level / 100:.1f} dB(A).")


def test_a_mix_that_is_off_part_of_the_time_has_that_time_too() -> None:
    """Half the time at 88 dB(A) is 85 dB(A) on average, by energy: 88 − 3.01."""
    assert said(ears((0, 1), (OFF, 1)), measured=METER).startswith(
        "85.0 dB(A) on average, 25 % of the day's dose, 12 %"
    )
    assert said(ears((OFF, 1)), measured=METER) == "off all the time"


def test_the_hottest_song_is_none_that_was_only_passed_through() -> None:
    found = ears((0, 1))
    found.add("a", "passed", 900, 0, SECOND - 1)
    assert "Hottest: one" in said(found)
    found.add("a", "passed", 900, 0, SECOND)
    assert "Hottest: passed, 9.0 dB hotter" in said(found)


@given(st.integers(-6_000, 3_000), st.integers(-3_000, 3_000), st.integers(0, 1_000))
def test_hotter_at_the_measurement_or_now_never_leaves_more_time(sum_: int, now: int, more: int) -> None:
    def rest(level: int, mix_sum: int) -> float:
        measured = Measured(level=88, mix_sum=mix_sum, how="a meter")
        (one,) = figures(NIOSH, [Listener(name="a", base=0, measured=measured)], ears((level, 1)))
        assert one.left is not None
        return one.left

    assert rest(now + more, sum_) <= rest(now, sum_)
    # What counts is how far the mix has moved since it was measured.
    assert rest(now + more, sum_ + more) == pytest.approx(rest(now, sum_))


def test_json_says_null_for_what_has_no_number() -> None:
    listeners = [Listener(name="a", base=OFF), Listener(name="b", base=0, measured=METER)]
    found = as_json(ADULTS, figures(ADULTS, listeners, ears((0, 1))), 3_600 * SECOND)
    first, second = found["listeners"]
    assert first["hotter_than_base_db"] is None and first["base_sum_db"] == "off"
    assert (second["silent"], second["average_dba"], second["left_s"]) == (True, None, None)
    assert found["criterion"]["per"] == "week"
    assert found["over_s"] == 3_600


@pytest.mark.parametrize(
    ("seconds", "said"),
    [
        (0, "0 s"),
        (59.9, "59 s"),
        (60, "1 min 0 s"),
        (3_599, "59 min 59 s"),
        (3_600, "1 h 0 min"),
        (8e6, "2,222 h 13 min"),
    ],
)
def test_lengths_of_time_are_never_said_too_long(seconds: float, said: str) -> None:
    assert long(seconds) == said
    assert not math.isnan(seconds)
