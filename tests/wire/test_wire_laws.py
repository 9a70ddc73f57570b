"""Value laws: the printed table of GM2, second opinions by numpy, and every code of every profile there and back."""

from __future__ import annotations

import math
import struct
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stagectl.core.levels import OFF, Level, Off, height
from stagectl.errors import WireError
from stagectl.show.load import load_profile
from stagectl.where import shipped
from stagectl.wire import laws
from stagectl.wire.laws import (
    LineLaw,
    Point,
    StepLaw,
    even_steps,
    gm2,
    points_over_codes,
    power_over_codes,
    power_over_numbers,
)

PROFILES = sorted(path.stem for path in (shipped("mappings") / "desks").glob("*.yaml"))

# General MIDI 2 v1.2a §3.3.4, the printed table: value, dB with one digit behind the point.
GM2_TABLE = [(127, 0.0), (96, -4.9), (64, -11.9), (32, -23.9), (16, -36.0)]


def _laws() -> list[tuple[str, laws.Law, int | None]]:
    """Every law of the shipped profiles, with its width in bits (None for OSC)."""
    out: list[tuple[str, laws.Law, int | None]] = []
    for name in PROFILES:
        profile = load_profile(name)
        for kind, part in (("send", profile.send), ("whole mix", profile.whole_mix)):
            if part is not None:
                high = part.say.codes.high
                out.append((f"{name}, {kind}", part.law(), None if high is None else high.bit_length()))
    return out


LAWS = _laws()
STEP_LAWS = [pytest.param(law, bits, id=name) for name, law, bits in LAWS if isinstance(law, StepLaw)]
LINE_LAWS = [pytest.param(law, id=name) for name, law, _ in LAWS if isinstance(law, LineLaw)]


def _float32(number: float) -> float:
    """The number as an OSC float carries it."""
    return float(struct.unpack(">f", struct.pack(">f", number))[0])


@pytest.mark.parametrize(("value", "printed"), GM2_TABLE)
def test_the_printed_table_of_gm2(value: int, printed: float) -> None:
    level = gm2(127).level(value)
    assert isinstance(level, int)
    # The table is cut, not rounded, in places: within one unit of its last digit.
    assert abs(level / 100 - printed) < 0.1
    assert level == round(4_000 * math.log10(value / 127))


def test_gm2_is_off_at_0_and_has_its_default_volume() -> None:
    law = gm2(127)
    assert law.level(0) is OFF
    assert law.code(OFF) == 0
    # GM2's default volume is 100: 40·log10(100/127) = -4.152 dB.
    assert law.level(100) == -415


@pytest.mark.parametrize(("volume", "expression", "printed"), [(64, 64, -23.8), (32, 96, -28.8)])
def test_volume_and_expression_add_in_db(volume: int, expression: int, printed: float) -> None:
    # General MIDI 2 v1.2a §3.3.4, the pairs of the printed table.
    law = gm2(127)
    levels = [law.level(volume), law.level(expression)]
    assert abs(sum(level for level in levels if isinstance(level, int)) / 100 - printed) < 0.1


def test_gm2_over_14_bits_agrees_with_numpy() -> None:
    law = gm2(16_383)
    values = np.arange(1, 16_384)
    expected = 40 * np.log10(values / 16_383)
    found = np.array([law.level(int(value)) for value in values], dtype=np.float64) / 100
    assert float(np.max(np.abs(found - expected))) <= 0.005 + 1e-9
    assert law.level(0) is OFF
    # Where 7-bit and 14-bit controllers say the same part of full scale, they say the same level.
    assert law.level(16_383) == gm2(127).level(127) == 0


@pytest.mark.parametrize(("law", "bits"), STEP_LAWS)
def test_every_code_there_and_back(law: StepLaw, bits: int) -> None:
    """A code's level is said by that code, or by a lower one that says the same level."""
    for code in range(law.first, law.first + len(law.levels)):
        level = law.level(code)
        back = law.code(level)
        assert law.level(back) == level
        assert back <= code
        assert 0 <= back < 1 << bits


@pytest.mark.parametrize(("law", "bits"), STEP_LAWS)
def test_codes_rise_with_their_levels(law: StepLaw, bits: int) -> None:
    levels = [law.level(code) for code in range(law.first, law.first + len(law.levels))]
    assert all(height(below) <= height(above) for below, above in pairwise(levels))
    assert {level for level in levels if isinstance(level, int)} == set(law.grid.steps)
    assert law.grid.has_off is (law.off is not None)
    assert law.off is None or law.level(law.off) is OFF


@pytest.mark.parametrize(("law", "bits"), STEP_LAWS)
def test_codes_outside_a_law_are_refused(law: StepLaw, bits: int) -> None:
    last = law.first + len(law.levels) - 1
    for code in (law.first - 1, last + 1, last + 10**6, -1, 0.5):
        with pytest.raises(WireError, match="outside"):
            law.level(code)


@pytest.mark.parametrize("law", LINE_LAWS)
@given(data=st.data())
def test_every_step_there_and_back_over_a_float(law: LineLaw, data: st.DataObject) -> None:
    level = data.draw(st.sampled_from(law.grid.steps))
    assert law.level(_float32(law.code(level))) == level


@pytest.mark.parametrize("law", LINE_LAWS)
@given(data=st.data())
def test_floats_rise_with_their_levels(law: LineLaw, data: st.DataObject) -> None:
    codes = st.floats(law.codes[0], law.codes[-1]).map(_float32)
    low, high = sorted((data.draw(codes), data.draw(codes)))
    assert height(law.level(low)) <= height(law.level(high))


@pytest.mark.parametrize("law", LINE_LAWS)
def test_off_over_a_float(law: LineLaw) -> None:
    assert law.off is not None
    assert law.level(_float32(law.code(OFF))) is OFF
    assert law.level(law.off - 1_000) is OFF
    assert law.level((law.off + law.codes[0]) / 2) is OFF
    assert law.level(_float32(law.codes[0])) == law.levels[0]


@pytest.mark.parametrize("law", LINE_LAWS)
@pytest.mark.parametrize("code", [math.nan, math.inf, -math.inf])
def test_a_float_that_is_no_number_is_refused(law: LineLaw, code: float) -> None:
    with pytest.raises(WireError, match="is no number"):
        law.level(code)


@pytest.mark.parametrize("law", LINE_LAWS)
def test_a_float_above_the_last_point_is_refused(law: LineLaw) -> None:
    for code in (law.codes[-1] + 0.01, law.codes[-1] + 1e9):
        with pytest.raises(WireError, match="outside"):
            law.level(code)


@st.composite
def charts(draw: st.DrawFn, whole: bool) -> list[Point]:
    """A rising chart, with or without an off."""
    count = draw(st.integers(2, 8))
    levels = sorted(draw(st.lists(st.integers(-12_000, 2_000), min_size=count, max_size=count, unique=True)))
    numbers = sorted(draw(st.lists(st.integers(1, 16_383), min_size=count, max_size=count, unique=True)))
    codes = [number if whole else number / 1_000 for number in numbers]
    points = [Point(code, level) for code, level in zip(codes, levels, strict=True)]
    return [Point(0, OFF), *points] if draw(st.booleans()) else points


@given(charts(whole=True))
def test_points_over_codes_agree_with_numpy(points: list[Point]) -> None:
    law = points_over_codes(points)
    known = [(point.code, point.level) for point in points if isinstance(point.level, int)]
    codes = np.arange(known[0][0], known[-1][0] + 1)
    expected = np.interp(codes, [code for code, _ in known], [level for _, level in known])
    found = np.array([law.level(int(code)) for code in codes], dtype=np.float64)
    assert float(np.max(np.abs(found - expected))) <= 0.5 + 1e-6
    if law.grid.has_off:
        assert all(law.level(code) is OFF for code in range(int(known[0][0])))


@given(charts(whole=False), st.floats(0, 1))
def test_points_over_floats_agree_with_numpy(points: list[Point], part: float) -> None:
    known = [(point.code, point.level) for point in points if isinstance(point.level, int)]
    law = LineLaw(points, step=10)
    codes, levels = [code for code, _ in known], [level for _, level in known]
    code = codes[0] + part * (codes[-1] - codes[0])
    found = law.level(code)
    assert isinstance(found, int)
    assert abs(found - float(np.interp(code, codes, levels))) <= 0.5 + 1e-6
    level = round(levels[0] + part * (levels[-1] - levels[0]))
    assert law.code(level) == pytest.approx(float(np.interp(level, levels, codes)), rel=1e-9, abs=1e-9)


@given(charts(whole=True), st.integers(-13_000, 3_000))
def test_the_nearest_code_is_taken(points: list[Point], level: int) -> None:
    law = points_over_codes(points)
    found = law.level(law.code(level))
    assert isinstance(found, int)
    assert abs(found - level) == min(abs(step - level) for step in law.grid.steps)


def test_even_steps() -> None:
    law = even_steps(-9_000, 10, 1, 1_001, off=0)
    assert law.level(0) is OFF
    assert law.level(1) == -9_000
    assert law.level(1_001) == 1_000
    assert law.code(-1_234) == law.code(-1_230)
    without = even_steps(-6_000, 50, 0, 120, off=None)
    assert without.code(OFF) == 0
    assert not without.grid.has_off


@pytest.mark.parametrize(("first", "off"), [(1, 5), (1, 1), (1, 101), (0, 0)])
def test_off_is_the_code_of_no_level(first: int, off: int) -> None:
    with pytest.raises(WireError, match="is that of a level"):
        even_steps(-6_000, 50, first, first + 100, off)


@pytest.mark.parametrize("off", [0, 9, 111, 127])
def test_off_stands_anywhere_else(off: int) -> None:
    law = even_steps(-6_000, 50, 10, 110, off)
    assert (law.code(OFF), law.level(off)) == (off, OFF)
    assert (law.level(10), law.level(110)) == (-6_000, -1_000)
    assert law.grid.has_off


BAD_CHARTS: list[list[tuple[float, Level]]] = [
    [],
    [(0, -60)],
    [(0, OFF), (1, -60)],
    [(0, -60), (0, 0)],
    [(1, -60), (0, 0)],
    [(0, -60), (1, -60)],
    [(0, 0), (1, -60), (2, -30)],
    [(0, -60), (5, OFF), (10, 0)],
    [(0, OFF), (1, -60), (10, 0), (11, OFF)],
    [(0, OFF), (1, OFF), (2, -60), (3, 0)],
    [(2, OFF), (1, -60), (3, 0)],
    [(1, OFF), (1, -60), (3, 0)],
    [(0, -60), (10**8, 0)],
    [(0, -60), (math.inf, 0)],
    [(0, -60), (math.nan, 0)],
]


@pytest.mark.parametrize("points", BAD_CHARTS)
def test_a_chart_that_could_mean_two_things_is_refused(points: list[tuple[float, Level]]) -> None:
    """Above all an off in the middle: asked for silence, such a desk would be told a level."""
    chart = [Point(code, level) for code, level in points]
    with pytest.raises(WireError):
        LineLaw(chart)
    with pytest.raises(WireError):
        points_over_codes(chart)


@given(st.integers(-12_000, 1_000), st.booleans())
def test_the_ends_of_a_law_in_db_survive_a_float(lowest: int, has_off: bool) -> None:
    """An OSC float of -90.3 is a little below -90.3: it is the lowest level all the same, not off."""
    points = [Point(lowest / 100, lowest), Point(11, 1_100)]
    law = LineLaw([Point(-1_000, OFF), *points] if has_off else points)
    assert law.level(_float32(law.code(lowest))) == lowest
    assert law.level(_float32(law.code(1_100))) == 1_100


def test_an_off_that_a_float_cannot_tell_from_the_first_point_is_refused() -> None:
    with pytest.raises(WireError, match="too near"):
        LineLaw([Point(-90.000_001, OFF), Point(-90, -9_000), Point(10, 1_000)])


def test_what_no_law_may_do_is_to_turn_round() -> None:
    turning: list[list[Level]] = [[OFF, -600, -1_200, -700], [-1_200, -600, -700]]
    for levels in turning:
        with pytest.raises(WireError, match="rise with its codes, or fall"):
            StepLaw(levels)


@pytest.mark.parametrize(("law", "bits"), STEP_LAWS)
def test_levels_beyond_the_ends_are_said_by_the_ends(law: StepLaw, bits: int) -> None:
    steps = law.grid.steps
    assert law.level(law.code(steps[-1] + 100_000)) == steps[-1]
    assert law.level(law.code(steps[0] - 100_000)) == steps[0]
    assert isinstance(law.level(law.code(OFF)), Off) is law.grid.has_off


# -- falling codes, off anywhere, halves, wide values and the power law -----------------------------------------------


@st.composite
def any_charts(draw: st.DrawFn) -> list[Point]:
    """A chart over whole numbers, rising or falling, with an off at either end or none."""
    points = [point for point in draw(charts(whole=True)) if not isinstance(point.level, Off)]
    if draw(st.booleans()):
        levels = [point.level for point in points][::-1]
        points = [Point(point.code, level) for point, level in zip(points, levels, strict=True)]
    off = draw(st.sampled_from(["none", "below", "above"]))
    if off == "below":
        return [Point(0, OFF), *points]
    return [*points, Point(16_384, OFF)] if off == "above" else points


@given(any_charts())
def test_charts_of_either_direction_there_and_back(points: list[Point]) -> None:
    for law in (points_over_codes(points), LineLaw(points, step=7)):
        for level in law.grid.steps[:: max(1, len(law.grid.steps) // 200)]:
            assert abs(height(law.level(law.code(level))) - level) <= (0 if isinstance(law, StepLaw) else 1)
        off = next((point.code for point in points if isinstance(point.level, Off)), None)
        assert law.grid.has_off is (off is not None)
        if off is not None:
            assert law.code(OFF) == off
            assert law.level(off) is OFF


@given(any_charts())
def test_the_first_half_of_a_value_is_never_louder_than_the_whole(points: list[Point]) -> None:
    """MIDI 1.0 Detailed Specification 4.2.1: a received MSB resets the LSB to 0, so it counts as a value by itself."""
    # Fourteen bits end at 16,383, so an off above the levels stands there.
    points = [Point(min(point.code, 16_383), point.level) for point in points]
    if len({point.code for point in points}) < len(points):
        return
    plain = points_over_codes(points)
    try:
        law = points_over_codes(points, in_two_parts=True)
    except WireError:
        # Nothing, or not off, can be said without something louder on the way.
        assert plain.grid.has_off or height(points[0].level) > height(points[-1].level)
        return
    levels: list[Level] = [*law.grid.steps, *[OFF] * law.grid.has_off]
    assert set(law.grid.steps) <= set(plain.grid.steps)
    for level in levels:
        code = law.code(level)
        assert isinstance(code, int)
        assert law.level(code) == level
        try:
            assert height(law.level(code & ~0x7F)) <= height(level)
        except WireError:
            # Below the first value of a rising law.
            assert code & ~0x7F < points[0].code


@pytest.mark.parametrize("factor", [10, 20, 40, 33.5])
@pytest.mark.parametrize("top", [127, 100, 16_383])
def test_the_power_law_agrees_with_numpy(factor: float, top: int) -> None:
    # The definition of the decibel: 10·log10 of a ratio of powers, 20·log10 of a ratio of amplitudes (ISO 80000-3, from
    # memory); 40·log10 is General MIDI 2 v1.2a §3.3.4.
    law = power_over_codes(round(factor * 100), top, 600)
    values = np.arange(1, top + 1)
    expected = 6 + factor * np.log10(values / top)
    found = np.array([law.level(int(value)) for value in values], dtype=np.float64) / 100
    assert float(np.max(np.abs(found - expected))) <= 0.005 + 1e-9
    assert (law.level(0), law.code(OFF), law.level(top)) == (OFF, 0, 600)
    with pytest.raises(WireError, match="outside"):
        law.level(top + 1)


@given(st.sampled_from([1_000, 2_000, 4_000]), st.sampled_from([1.0, 4.0, 0.25]), st.floats(0, 1))
def test_the_power_law_over_floats(factor: int, top: float, part: float) -> None:
    law = power_over_numbers(factor, top, -9_000, 1_000, 10)
    level = round(-9_000 + 10_000 * part)
    code = _float32(law.code(level))
    # Half of the amplitude is 6.02 dB less, half of the power 3.01 dB: 20·log10 2 and 10·log10 2.
    assert code == pytest.approx(top * 10 ** ((level - 1_000) / factor), rel=1e-6)
    assert abs(height(law.level(code)) - level) <= 1
    assert law.level(0.0) is law.level(-1.0) is OFF
    with pytest.raises(WireError, match="outside"):
        law.level(top * 1.01)


def test_three_bytes_are_worked_out_each_time() -> None:
    # 21 bits: 2,097,151 is the most.
    points = [Point(0, OFF), Point(100, -9_000), Point(2_097_151, 1_000)]
    law = points_over_codes(points)
    assert isinstance(law, LineLaw)
    for level in law.grid.steps:
        code = law.code(level)
        assert isinstance(code, int)
        assert law.level(code) == level
    assert (law.code(OFF), law.level(0), law.level(99)) == (0, OFF, OFF)
    for wrong in (2_097_152, 1_000.5, math.nan, math.inf):
        with pytest.raises(WireError):
            law.level(wrong)
    with pytest.raises(WireError, match="make `step` larger"):
        points_over_codes([Point(0, -9_000), Point(50, -8_000), Point(2_000_000, 1_000)])


@pytest.mark.parametrize("code", [math.nan, math.inf, -math.inf, 0.5, 1e30, -1])
def test_a_table_takes_no_strange_numbers(code: float) -> None:
    with pytest.raises(WireError, match="outside"):
        gm2(127).level(code)


def test_a_law_that_is_asked_for_again_is_not_built_again() -> None:
    chart = [Point(0, OFF), Point(1, -6_000), Point(16_383, 1_000)]
    law = points_over_codes(chart, in_two_parts=True)
    assert points_over_codes(list(chart), in_two_parts=True) is law
    assert points_over_codes(chart) is not law
    assert gm2(16_383) is gm2(16_383)
