"""Sound exposure: first against the published tables and worked examples, then its laws."""

from __future__ import annotations

import math
from decimal import Decimal, localcontext

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stagectl.ears.exposure import (
    CRITERIA,
    DAY,
    DEFAULT,
    EQUAL_ENERGY,
    HOUR,
    PERIODS,
    WEEK,
    Criterion,
    Heard,
    allowed,
    average,
    dose,
    left,
    steady,
    time_factor,
)

NIOSH, OSHA = CRITERIA["NIOSH 98-126"], CRITERIA["OSHA 1910.95"]
LOWER, UPPER, LIMIT = (CRITERIA[f"EU 2003/10/EC {name}"] for name in ("lower action", "upper action", "limit"))
ADULTS, SENSITIVE = CRITERIA["H.870 adults"], CRITERIA["H.870 sensitive"]
MINUTE = 60.0

# -- against outside sources ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("level", "seconds"),
    [
        # NIOSH 98-126, table 1-1.
        (85, 8 * HOUR),
        (88, 4 * HOUR),
        (91, 2 * HOUR),
        (94, HOUR),
        (97, 30 * MINUTE),
        (100, 15 * MINUTE),
        (103, 7 * MINUTE + 30),
    ],
)
def test_niosh_table_of_allowed_times(level: float, seconds: float) -> None:
    assert allowed(NIOSH, level) == pytest.approx(seconds)


def test_niosh_at_99_follows_the_formula_and_not_the_misprint() -> None:
    """480 / 2^((99 − 85)/3) min is 18 min 53.9 s; the table prints 18 min 59 s."""
    assert allowed(NIOSH, 99) == pytest.approx(18 * MINUTE + 53.9, abs=0.05)


@pytest.mark.parametrize(("percent", "twa"), [(50, 82.0), (100, 85.0), (200, 88.0), (400, 91.0)])
def test_niosh_table_of_doses(percent: float, twa: float) -> None:
    """NIOSH 98-126, table 1-2: TWA = 10·log10(D/100) + 85. Its row of 50,000 % is a misprint and left out."""
    assert round(steady(NIOSH, percent), 1) == twa


@pytest.mark.parametrize(("level", "hours"), [(90, 8), (95, 4), (100, 2), (105, 1), (110, 0.5)])
def test_osha_table_of_allowed_times(level: float, hours: float) -> None:
    """29 CFR 1910.95, table G-16."""
    assert allowed(OSHA, level) == pytest.approx(hours * HOUR)


def test_osha_worked_day() -> None:
    """29 CFR 1910.95 appendix A: D = 100·Σ C/T and TWA = 16.61·log10(D/100) + 90, for 2 h at 95, 4 h at 90 and 1 h at
    100 dB(A)."""
    day = [(95.0, 2 * HOUR), (90.0, 4 * HOUR), (100.0, HOUR)]
    assert dose(OSHA, day) == pytest.approx(150)
    assert steady(OSHA, 150) == pytest.approx(92.92, abs=0.005)


def test_osha_leaves_out_what_is_below_its_threshold() -> None:
    """29 CFR 1910.95 (d)(2)(i): levels from 80 dB on are integrated. From memory."""
    assert dose(OSHA, [(79.9, 8 * HOUR)]) == 0
    assert dose(OSHA, [(80.0, 8 * HOUR)]) == pytest.approx(25)


@pytest.mark.parametrize(("criterion", "level"), [(ADULTS, 80), (SENSITIVE, 75)])
def test_h_870_weekly_allowance(criterion: Criterion, level: float) -> None:
    """WHO-ITU-T H.870: 80 dBA for 40 h a week for adults, 75 dBA for sensitive users, by equal energy: ten times the
    energy in a tenth of the time."""
    assert criterion.period == WEEK
    assert allowed(criterion, level) == pytest.approx(40 * HOUR)
    assert allowed(criterion, level + 10) == pytest.approx(4 * HOUR)


@pytest.mark.parametrize(("criterion", "level"), [(LOWER, 80), (UPPER, 85), (LIMIT, 87)])
def test_eu_values(criterion: Criterion, level: float) -> None:
    """2003/10/EC article 3: 80, 85 and 87 dB(A) for a day of 8 h, by equal energy."""
    assert criterion.period == DAY
    assert dose(criterion, [(level, 8 * HOUR)]) == pytest.approx(100)
    assert dose(criterion, [(level + 10, 8 * HOUR)]) == pytest.approx(1_000)


@pytest.mark.parametrize("criterion", [LOWER, UPPER, LIMIT])
@pytest.mark.parametrize(
    ("day", "level", "digits"),
    [
        # ISO 9612, the example of a measurement by tasks.
        ([(70.0, 1.5 * HOUR), (80.8, 5 * HOUR), (90.1, 1.5 * HOUR)], 84.3, 1),
        # HSE L108, the example of a day.
        ([(80.0, 5 * HOUR), (86.0, 2 * HOUR), (95.0, 45 * MINUTE)], 87, 0),
    ],
    ids=["ISO 9612", "HSE L108"],
)
def test_worked_days_of_equal_energy(criterion: Criterion, day: list[Heard], level: float, digits: int) -> None:
    """The L_EX,8h of a day is the same whichever value it is compared with."""
    assert round(steady(criterion, dose(criterion, day)), digits) == level


@pytest.mark.parametrize(("pair", "level"), [((62.0, 73.0), 73.3), ((90.0, 90.0), 93.0)])
def test_averages_are_sums_of_energy(pair: tuple[float, float], level: float) -> None:
    """Arithmetic of uncorrelated sums: 62.0 + 73.0 = 73.3, 90 + 90 = 93; the average of two is 3.01 dB below."""
    assert average([(one, 1.0) for one in pair]) + 10 * math.log10(2) == pytest.approx(level, abs=0.05)


def test_hotter_by_2_1_db_leaves_0_62_of_the_time() -> None:
    """2^(−2.1/3) = 0.6156 by NIOSH 98-126; by equal energy 10^(−0.21) = 0.6166."""
    assert time_factor(NIOSH, 2.1) == pytest.approx(0.6156, abs=0.00005)
    assert time_factor(UPPER, 2.1) == pytest.approx(0.6166, abs=0.00005)


LEVELS = st.floats(40, 130)
SPANS = st.lists(st.tuples(LEVELS, st.floats(0.001, 24 * HOUR)), min_size=1, max_size=12)
ANY = st.sampled_from(list(CRITERIA.values()))


@given(SPANS)
def test_the_energy_average_agrees_with_numpy(spans: list[Heard]) -> None:
    levels, times = np.array(spans).T
    expected = 10 * np.log10(np.sum(times * 10 ** (levels / 10)) / np.sum(times))
    assert average(spans) == pytest.approx(float(expected), abs=1e-9)


@given(SPANS)
def test_doses_agree_with_decimal_arithmetic(spans: list[Heard]) -> None:
    """T = 480 / 2^((L − 85)/3) min, with fifty digits."""
    with localcontext() as context:
        context.prec = 50
        total = sum(
            Decimal(time) / (Decimal(480 * 60) / Decimal(2) ** ((Decimal(level) - 85) / 3)) for level, time in spans
        )
        expected = float(100 * total)
    assert dose(NIOSH, spans) == pytest.approx(expected, rel=1e-12)


# -- laws -------------------------------------------------------------------------------------------------


@given(ANY, LEVELS, st.floats(0, 60))
def test_hotter_never_allows_longer(criterion: Criterion, level: float, more: float) -> None:
    assert allowed(criterion, level + more) <= allowed(criterion, level)
    assert time_factor(criterion, more) <= 1


@given(ANY, SPANS, SPANS)
def test_doses_add_up(criterion: Criterion, one: list[Heard], other: list[Heard]) -> None:
    both = dose(criterion, [*one, *other])
    assert both == pytest.approx(dose(criterion, one) + dose(criterion, other))
    assert both >= dose(criterion, one)


@given(ANY, SPANS)
def test_after_what_is_left_the_dose_is_whole(criterion: Criterion, spans: list[Heard]) -> None:
    used, time = dose(criterion, spans), sum(one for _, one in spans)
    rest = left(criterion, used, time)
    if used >= 100:
        assert rest == 0
    elif used > 0:
        assert used * (time + rest) / time == pytest.approx(100)


@given(ANY, LEVELS, st.floats(1, 8 * HOUR))
def test_what_is_left_at_a_steady_level_is_what_it_allows(criterion: Criterion, level: float, time: float) -> None:
    whole = allowed(criterion, level)
    rest = left(criterion, dose(criterion, [(level, time)]), time)
    assert rest == pytest.approx(max(0.0, whole - time), abs=1e-3) or rest == whole == math.inf


@given(ANY, SPANS)
def test_a_dose_s_steady_level_comes_to_that_dose(criterion: Criterion, spans: list[Heard]) -> None:
    """Up to the two digits with which the sources print the slope: 16.61 for 5 / log10 2, 10 for 3 / log10 2."""
    used = dose(criterion, spans)
    level = steady(criterion, used)
    if used > 0 and (criterion.threshold is None or level >= criterion.threshold):
        again = dose(criterion, [(level, criterion.reference)])
        assert math.log(again / used) == pytest.approx(0, abs=0.0035 * abs(math.log(used / 100)) + 1e-6)


@given(SPANS, st.sampled_from([3.0, 5.0, EQUAL_ENERGY]))
def test_an_average_lies_within_what_it_averages(spans: list[Heard], exchange: float) -> None:
    levels = [level for level, _ in spans]
    assert min(levels) - 1e-9 <= average(spans, exchange) <= max(levels) + 1e-9


def test_silence_and_nothing() -> None:
    silence = [(-math.inf, HOUR)]
    for criterion in CRITERIA.values():
        assert allowed(criterion, -math.inf) == math.inf
        assert dose(criterion, silence) == dose(criterion, []) == 0
        assert steady(criterion, 0) == -math.inf
        assert left(criterion, 0, HOUR) == math.inf
    assert average(silence) == average([]) == -math.inf
    assert average([*silence, (90.0, HOUR)]) == pytest.approx(90 - EQUAL_ENERGY)


def test_every_criterion_says_what_it_is() -> None:
    assert DEFAULT in CRITERIA
    for name, criterion in CRITERIA.items():
        assert criterion.name == name
        assert criterion.clause and criterion.steady
        assert criterion.reference <= PERIODS[criterion.period]
