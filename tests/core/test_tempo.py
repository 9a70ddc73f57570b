"""Bars and beats in time: RP-001's example, music21 and midicsv on files made by mido, and what has to hold for all."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from itertools import islice, pairwise

import pytest
from depth import examples
from hypothesis import given, settings
from hypothesis import strategies as st
from midi_files import listing, metre, notes, saved, score, tempo

from stagectl.core.tempo import (
    BEATS_MAX,
    CHANGES_MAX,
    CLOCKS,
    CLOCKS_A_UNIT,
    TEMPO_MAX,
    TEMPO_MIN,
    UNITS,
    BarChange,
    Bars,
    Beat,
    Metre,
    Tempo,
    TempoMap,
    by_bars,
    from_plain,
    lasting,
)

SECOND = 1_000_000_000
FAR = 10**15
"""More than eleven days, ns."""

METRES = st.builds(Metre, st.integers(1, 13), st.sampled_from(UNITS))


@st.composite
def changes(draw: st.DrawFn, most: int = 6) -> list[BarChange]:
    """Changes of tempo, of metre or of both, in order."""
    bars = sorted(draw(st.sets(st.integers(2, 60), max_size=most)))
    tempos = st.fractions(TEMPO_MIN, TEMPO_MAX, max_denominator=100)
    out = [BarChange(1, draw(tempos), draw(st.none() | METRES))]
    for bar in bars:
        change = draw(st.tuples(st.none() | tempos, st.none() | METRES))
        out.append(BarChange(bar, *change))
    return out


MAPS = st.builds(by_bars, changes(), st.integers(-FAR, FAR))
STEADY = by_bars([BarChange(1, Fraction(120))])
LILT = by_bars([BarChange(1, Fraction(90), Metre(6, 8)), BarChange(3, None, Metre(3, 4)), BarChange(5, Fraction(180))])
"""6/8, 6/8, 3/4, 3/4, then twice as fast: a bar is three quarter notes throughout."""


# -- outside sources --------------------------------------------------------------------------------------------------


def test_a_clock_is_24_to_a_quarter_note_and_a_song_position_is_six_of_them() -> None:
    # MIDI 1.0 Detailed Specification 4.2.1: at 120 BPM 48 clocks a second; 10 units of song position are 60 clocks.
    assert STEADY.at_clock(48) == SECOND
    assert (CLOCKS, CLOCKS_A_UNIT, 10 * CLOCKS_A_UNIT) == (24, 6, 60)
    assert [STEADY.at_clock(clock) for clock in (0, 1, 2)] == [0, 20_833_333, 41_666_667]


def test_the_file_that_rp_001_prints() -> None:
    # Standard MIDI Files 1.0: 500,000 µs a quarter note, 4/4, notes at 0, 96 and 192 ticks of 96 to a quarter note.
    assert lasting(120) == 500_000_000
    assert [STEADY.at_quarter(Fraction(tick, 96)) for tick in (0, 96, 192)] == [0, SECOND // 2, SECOND]
    assert STEADY.at_bar(2) == 2 * SECOND


EXACT = (300_000, 320_000, 375_000, 400_000, 480_000, 500_000, 600_000, 625_000, 750_000, 800_000, 1_000_000)
"""Microseconds a quarter note that are a tempo of at most two decimals, to which music21 rounds."""


@st.composite
def songs(draw: st.DrawFn) -> tuple[list[BarChange], list[tuple[int, int]]]:
    """Changes at bars; and those of the tempo with their bar and microseconds."""
    bars = [1, *sorted(draw(st.sets(st.integers(2, 12), max_size=4)))]
    tempos = [draw(st.sampled_from(EXACT)) for _ in bars]
    metres = [
        draw(st.sampled_from([Metre(4, 4), Metre(3, 4), Metre(6, 8), Metre(5, 4), Metre(7, 8), Metre(2, 2)]))
        for _ in bars
    ]
    made = [
        BarChange(bar, Fraction(60_000_000, lasts), one) for bar, lasts, one in zip(bars, tempos, metres, strict=True)
    ]
    return made, list(zip(bars, tempos, strict=True))


def _file(made: list[BarChange], tempos: list[tuple[int, int]], per_quarter: int = 480) -> bytes:
    """The song as a file. Where its changes are is counted here, bar after bar."""
    at, here, quarter = {}, Metre(), Fraction(0)
    named = {change.bar: change.metre for change in made}
    for bar in range(1, 16):
        here = named.get(bar) or here
        at[bar] = int(quarter * per_quarter)
        quarter += Fraction(4 * here.beats, here.unit)
    heads = [(at[bar], metre(*one)) for bar, one in named.items() if one is not None]
    conductor = sorted([*heads, *((at[bar], tempo(lasts)) for bar, lasts in tempos)], key=lambda event: event[0])
    eighths = range(0, int(quarter * per_quarter), per_quarter // 2)
    return saved(conductor, notes(eighths, per_quarter // 4), per_quarter=per_quarter)


@pytest.mark.slow
@settings(max_examples=examples(15, least=3))
@given(songs())
def test_music21_agrees_on_seconds_and_bars(song: tuple[list[BarChange], list[tuple[int, int]]]) -> None:
    made, tempos = song
    ours, theirs = by_bars(made), score(_file(made, tempos))
    assert len(theirs.notes) > 40 and len(theirs.bars) >= 15
    for quarter, seconds in theirs.notes:
        assert ours.at_quarter(quarter) / SECOND == pytest.approx(seconds, abs=1e-8)
    for bar, quarter in theirs.bars:
        assert ours.quarter_of(bar) == quarter


@settings(max_examples=examples(15))
@given(songs(), st.sampled_from([24, 96, 192, 480, 960]))
def test_midicsv_s_changes_added_up_agree(
    song: tuple[list[BarChange], list[tuple[int, int]]], per_quarter: int
) -> None:
    made, tempos = song
    ours, theirs = by_bars(made), listing(_file(made, tempos, per_quarter))
    for tick in theirs.ticks:
        exact = theirs.seconds(tick) * SECOND
        assert abs(ours.at_quarter(Fraction(tick, per_quarter)) - exact) <= Decimal("0.5000001")


# -- what has to hold for all -----------------------------------------------------------------------------------------


@given(MAPS, st.fractions(-200, 2_000, max_denominator=960))
def test_a_quarter_note_there_and_back(ours: TempoMap, quarter: Fraction) -> None:
    """To the half ns to which positions are rounded."""
    back = ours.quarter_at(ours.at_quarter(quarter))
    assert abs(back - quarter) * min(one.lasts for one in ours.tempos) <= Fraction(1, 2)


@given(MAPS, st.integers(-FAR, FAR))
def test_a_position_there_and_back(ours: TempoMap, position: int) -> None:
    assert ours.at_quarter(ours.quarter_at(position)) == position


@given(MAPS, st.fractions(-200, 2_000), st.fractions(-200, 2_000))
def test_later_in_the_music_is_later_in_time(ours: TempoMap, one: Fraction, other: Fraction) -> None:
    low, high = sorted((one, other))
    assert ours.at_quarter(low) <= ours.at_quarter(high)


@given(MAPS, st.integers(0, 400 * SECOND), st.integers(-40, 0))
def test_the_clock_from_a_position_is_the_first_that_is_no_earlier(ours: TempoMap, after: int, clock: int) -> None:
    for position in (ours.begins + after, ours.at_clock(clock), ours.at_clock(clock) + 1):
        found = ours.clock_from(position)
        assert ours.at_clock(found - 1) < position <= ours.at_clock(found)


@given(MAPS, st.integers(-100, 500))
def test_a_clock_s_own_position_leads_back_to_it(ours: TempoMap, clock: int) -> None:
    assert ours.clock_from(ours.at_clock(clock)) == clock


@given(MAPS, st.integers(-20 * SECOND, 200 * SECOND))
def test_beats_come_in_order_and_are_where_their_bars_say(ours: TempoMap, after: int) -> None:
    since = ours.begins + after
    found = list(islice(ours.beats(since), 80))
    assert [one.position for one in found] == sorted(one.position for one in found)
    assert found[0].position >= since
    for one in found:
        assert ours.at_bar(one.bar, one.beat) == one.position
    for one, then in pairwise(found):
        last = one.beat == _beats(ours, one.bar)
        assert (then.bar, then.beat) == ((one.bar + 1, 1) if last else (one.bar, one.beat + 1))
    # Nothing is left out: the beat before the first one is too early.
    bar, beat = found[0].bar, found[0].beat
    before = (bar, beat - 1) if beat > 1 else (bar - 1, _beats(ours, bar - 1))
    assert ours.at_bar(*before) < since


def _beats(ours: TempoMap, bar: int) -> int:
    return [one for one in ours.bars if one.bar <= max(bar, 1)][-1].metre.beats


@given(MAPS, st.integers(-20, 80))
def test_a_bar_has_the_beats_of_its_metre_and_no_more(ours: TempoMap, bar: int) -> None:
    beats = _beats(ours, bar)
    found = [(one.bar, one.beat) for one in ours.beats(ours.at_bar(bar), ours.at_bar(bar + 1))]
    assert found == [(bar, beat) for beat in range(1, beats + 1)]
    for beat in (0, beats + 1, 10**9):
        with pytest.raises(ValueError, match=f"bar {bar} is in {beats}/"):
            ours.at_bar(bar, beat)


@given(MAPS, st.integers(-20 * SECOND, 200 * SECOND), st.integers(-SECOND, 20 * SECOND))
def test_beats_end_before_their_end(ours: TempoMap, after: int, length: int) -> None:
    since = ours.begins + after
    found = list(ours.beats(since, since + length))
    assert found == list(islice(ours.beats(since), len(found)))
    assert all(since <= one.position < since + length for one in found)
    assert next(islice(ours.beats(since), len(found), None)).position >= since + length


@given(MAPS)
def test_plain_and_back(ours: TempoMap) -> None:
    assert from_plain(ours.plain()) == ours


@given(changes(), st.integers(-FAR, FAR))
def test_where_bar_1_begins_moves_everything(made: list[BarChange], begins: int) -> None:
    here, there = by_bars(made), by_bars(made, begins)
    for bar in (-3, 1, 2, 17, 70):
        assert there.at_bar(bar) == here.at_bar(bar) + begins
    assert there.quarter_at(begins) == 0


# -- examples ---------------------------------------------------------------------------------------------------------


def test_a_count_in_goes_at_the_first_tempo_and_in_the_first_metre() -> None:
    assert [STEADY.at_bar(bar) for bar in (1, 0, -1)] == [0, -2 * SECOND, -4 * SECOND]
    assert list(STEADY.beats(-SECOND, SECOND // 2)) == [
        Beat(-SECOND, 0, 3),
        Beat(-SECOND // 2, 0, 4),
        Beat(0, 1, 1),
    ]
    # In 6/8 at 90 quarter notes a minute an eighth lasts a third of a second.
    assert [one.beat for one in LILT.beats(LILT.at_bar(0), 0)] == [1, 2, 3, 4, 5, 6]
    assert LILT.at_bar(0, 4) == -SECOND


def test_in_6_8_a_beat_is_an_eighth() -> None:
    assert [LILT.at_bar(1, beat) for beat in (1, 2, 4)] == [0, 333_333_333, SECOND]
    assert Metre(6, 8).bar == Metre(3, 4).bar == 3


def test_changes_of_metre_and_tempo_count_from_their_bar() -> None:
    # 3 quarter notes a bar, at 90 a minute two seconds; from bar 5 on, at 180, one.
    assert [LILT.at_bar(bar) for bar in (2, 3, 5, 6)] == [2 * SECOND, 4 * SECOND, 8 * SECOND, 9 * SECOND]
    assert [(one.bar, one.beat) for one in LILT.beats(LILT.at_bar(2, 6), LILT.at_bar(3, 3))] == [(2, 6), (3, 1), (3, 2)]


def test_no_error_grows_with_a_song() -> None:
    """At 110 quarter notes a minute none lasts a whole ns; a day of them ends where it should."""
    ours = by_bars([BarChange(1, Fraction(110))])
    assert ours.at_quarter(110 * 60 * 24) == 24 * 3_600 * SECOND
    assert ours.quarter_at(24 * 3_600 * SECOND) == 110 * 60 * 24


# -- what is refused --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("bpm", [0, -120, TEMPO_MIN - 1, TEMPO_MAX + 1, Fraction(999, 100), 10**12])
def test_a_tempo_out_of_range_is_refused(bpm: Fraction | int) -> None:
    with pytest.raises(ValueError, match=r"outside 10 to 1,000"):
        by_bars([BarChange(1, Fraction(bpm))])
    if bpm:
        with pytest.raises(ValueError, match=r"outside 10 to 1,000|cannot last"):
            TempoMap(tempos=(Tempo(Fraction(0), Fraction(60 * SECOND) / bpm),))


def test_a_tempo_at_the_ends_is_taken() -> None:
    for bpm in (TEMPO_MIN, TEMPO_MAX):
        assert by_bars([BarChange(1, Fraction(bpm))]).at_quarter(bpm) == 60 * SECOND


@pytest.mark.parametrize(
    "one", [Metre(0, 4), Metre(-1, 4), Metre(BEATS_MAX + 1, 4), Metre(4, 0), Metre(4, 3), Metre(4, 64)]
)
def test_a_metre_out_of_range_is_refused(one: Metre) -> None:
    with pytest.raises(ValueError, match=f"^{one.beats}/{one.unit} is no metre: a metre has 1 to 64 beats"):
        by_bars([BarChange(1, Fraction(120), one)])


@pytest.mark.parametrize(
    "made",
    [
        [],
        [BarChange(2, Fraction(120))],
        [BarChange(1, None, Metre(3, 4))],
        [BarChange(1, Fraction(120)), BarChange(1, Fraction(90))],
        [BarChange(1, Fraction(120)), BarChange(5, Fraction(90)), BarChange(4, Fraction(90))],
    ],
)
def test_changes_out_of_order_are_refused(made: list[BarChange]) -> None:
    with pytest.raises(ValueError, match="bar"):
        by_bars(made)


HALF = Fraction(SECOND, 2)
FIRST = Tempo(Fraction(0), HALF)


@pytest.mark.parametrize(
    ("tempos", "bars"),
    [
        ((), (Bars(1, Fraction(0), Metre()),)),
        ((FIRST,), ()),
        ((Tempo(Fraction(1), HALF),), (Bars(1, Fraction(0), Metre()),)),
        ((FIRST,), (Bars(0, Fraction(0), Metre()),)),
        ((FIRST, FIRST), (Bars(1, Fraction(0), Metre()),)),
        ((FIRST, Tempo(Fraction(2), HALF), Tempo(Fraction(1), HALF)), (Bars(1, Fraction(0), Metre()),)),
        # A metre that begins within a bar, and one that begins before the one before it.
        ((FIRST,), (Bars(1, Fraction(0), Metre()), Bars(2, Fraction(3), Metre(3, 4)))),
        ((FIRST,), (Bars(1, Fraction(0), Metre()), Bars(1, Fraction(0), Metre(3, 4)))),
    ],
)
def test_a_map_that_is_none_is_refused(tempos: tuple[Tempo, ...], bars: tuple[Bars, ...]) -> None:
    with pytest.raises(ValueError, match="tempo map"):
        TempoMap(tempos=tempos, bars=bars)


def test_a_map_has_a_bound() -> None:
    many = tuple(Tempo(Fraction(at), HALF) for at in range(CHANGES_MAX + 1))
    assert TempoMap(tempos=many[:-1]).at_quarter(2) == SECOND
    with pytest.raises(ValueError, match="at most 10,000 changes"):
        TempoMap(tempos=many)
