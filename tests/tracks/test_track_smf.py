"""A song's tempo map from a file: RP-001's example, midicsv's and music21's readings of real files, and damage."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from pathlib import Path

import pytest
from depth import examples
from hypothesis import given, settings
from hypothesis import strategies as st
from midi_files import RP001_EXAMPLE, corpus, listing, metre, notes, saved, score, tempo

from stagectl.core.tempo import BarChange, Bars, Metre, Tempo, TempoMap, by_bars
from stagectl.tracks.smf import tempo_of

SECOND = 1_000_000_000
MICROSECONDS = st.integers(60_000, 6_000_000)
"""1,000 to 10 quarter notes a minute."""


def test_the_file_that_rp_001_prints() -> None:
    ours = tempo_of(RP001_EXAMPLE)
    assert ours == by_bars([BarChange(1, Fraction(120), Metre(4, 4))])
    assert [ours.at_quarter(Fraction(tick, 96)) for tick in (0, 96, 192)] == [0, SECOND // 2, SECOND]


def test_a_file_that_says_nothing_is_at_120_in_4_4() -> None:
    # RP-001: without a time signature 4/4, without a tempo 120 beats a minute.
    for data in (saved([]), saved(notes([960])), saved([], type_=0)):
        assert tempo_of(data) == by_bars([BarChange(1, Fraction(120), Metre(4, 4))])


# -- other readers ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", corpus(), ids=lambda path: path.stem)
def test_files_that_music21_comes_with_agree_with_midicsv(path: Path) -> None:
    """Every event's time, added up from midicsv's changes in decimal."""
    ours, theirs = tempo_of(path.read_bytes()), listing(path.read_bytes())
    assert len(theirs.ticks) > 2
    for tick in theirs.ticks:
        assert abs(ours.at_quarter(Fraction(tick, theirs.per_quarter)) - theirs.seconds(tick) * SECOND) <= Decimal(
            "0.501"
        )
    for tick, beats, unit in theirs.metres:
        bars = [one for one in ours.bars if one.quarter <= Fraction(tick, theirs.per_quarter)]
        assert bars[-1].metre == (beats, unit)


@given(st.data(), st.sampled_from([24, 96, 480, 960]), st.integers(0, 1))
def test_changes_at_any_tick_agree_with_midicsv(data: st.DataObject, per_quarter: int, type_: int) -> None:
    changes = data.draw(st.dictionaries(st.integers(0, 100_000), MICROSECONDS, max_size=8))
    file = saved(
        [*((tick, tempo(lasts)) for tick, lasts in sorted(changes.items()))], per_quarter=per_quarter, type_=type_
    )
    ours, theirs = tempo_of(file), listing(file)
    for tick in {0, 1, 99_999, 200_000, *changes}:
        assert abs(ours.at_quarter(Fraction(tick, per_quarter)) - theirs.seconds(tick) * SECOND) <= Decimal("0.501")


@pytest.mark.slow
@settings(max_examples=examples(15))
@given(
    st.dictionaries(st.integers(0, 60), st.sampled_from([300_000, 480_000, 500_000, 750_000, 1_000_000]), max_size=5)
)
def test_changes_within_bars_agree_with_music21(changes: dict[int, int]) -> None:
    """Tempos change at any eighth; music21 rounds tempos to two decimals, which these have."""
    first = [(0, metre(3, 4)), (0, tempo(600_000))]
    later = [(eighth * 240, tempo(lasts)) for eighth, lasts in sorted(changes.items())]
    file = saved([*first, *later], notes(range(0, 20_000, 240), 120))
    ours = tempo_of(file)
    theirs = score(file)
    assert len(theirs.notes) > 80
    for quarter, seconds in theirs.notes:
        assert ours.at_quarter(quarter) / SECOND == pytest.approx(seconds, abs=1e-8)
    for bar, quarter in theirs.bars:
        assert ours.quarter_of(bar) == quarter


# -- what is taken ----------------------------------------------------------------------------------------------------


def test_a_tempo_is_exact() -> None:
    # 461,538 µs is what a file says for 130 quarter notes a minute: 60,000,000 / 130 = 461,538.46.
    ours = tempo_of(saved([(0, tempo(461_538))]))
    assert ours.tempos == (Tempo(Fraction(0), Fraction(461_538_000)),)
    assert ours.at_quarter(130) == 59_999_940_000


def test_changes_of_all_tracks_count_and_of_those_at_one_tick_the_last() -> None:
    one = [(0, tempo(500_000)), (960, tempo(400_000)), (960, tempo(300_000))]
    other = [(480, tempo(600_000)), (1920, metre(3, 4))]
    ours = tempo_of(saved(one, other))
    tempos = {0: 500_000_000, 1: 600_000_000, 2: 300_000_000}
    assert ours.tempos == tuple(Tempo(Fraction(quarter), Fraction(lasts)) for quarter, lasts in tempos.items())
    assert ours.bars == (Bars(1, Fraction(0), Metre(4, 4)), Bars(2, Fraction(4), Metre(3, 4)))


def test_what_changes_nothing_is_left_out() -> None:
    ours = tempo_of(saved([(0, tempo(500_000)), (0, metre(4, 4)), (700, tempo(500_000)), (700, metre(4, 4))]))
    assert ours == by_bars([BarChange(1, Fraction(120))])


@given(st.integers(-(10**12), 10**12))
def test_a_file_may_begin_anywhere_in_the_track(begins: int) -> None:
    ours = tempo_of(RP001_EXAMPLE, begins)
    assert (ours.begins, ours.at_bar(1), ours.at_bar(2)) == (begins, begins, begins + 2 * SECOND)


def test_an_upbeat_is_a_bar_of_its_own_metre() -> None:
    ours = tempo_of(saved([(0, metre(1, 4)), (480, metre(6, 8)), (480 + 2 * 1440, metre(2, 2))]))
    upbeat, lilt, half = Metre(1, 4), Metre(6, 8), Metre(2, 2)
    assert ours.bars == (Bars(1, Fraction(0), upbeat), Bars(2, Fraction(1), lilt), Bars(4, Fraction(7), half))


# -- what is refused --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (saved([], [], type_=2), r"its tracks are independent songs \(format 2\), so they have no common time"),
        (
            RP001_EXAMPLE[:12] + b"\xe7\x28" + RP001_EXAMPLE[14:],
            "it counts in frames of a second; a tempo map counts in ticks of a quarter note",
        ),
        (saved([(0, tempo(0))]), "a quarter note cannot last 0 ns"),
        (saved([(0, tempo(6_000_001))]), r"a tempo of 10 quarter notes a minute is outside 10 to 1,000"),
        (saved([(480, tempo(1))]), r"a tempo of 6e\+07 quarter notes a minute is outside 10 to 1,000"),
        (
            saved([(0, metre(4, 4)), (480 * 5, metre(3, 4))]),
            "the metre changes to 3/4 within bar 2, 5 quarter notes after the beginning; "
            "a metre changes where a bar begins",
        ),
        (saved([(0, metre(0, 4)), (480, metre(4, 4))]), "0/4 is no metre: a metre has 1 to 64 beats.*"),
        (saved([(0, metre(65, 4))]), "65/4 is no metre: a metre has 1 to 64 beats.*"),
        (saved([(0, metre(4, 64))]), r"it has a metre of 4/2\^6: its beat is shorter than 1/32"),
        (saved([(tick, tempo(300_000 + tick)) for tick in range(10_001)]), "a tempo map has at most 10,000 changes"),
        (RP001_EXAMPLE[:40], "it is cut short: a chunk `MTrk` is not whole"),
        (b"", "it is empty"),
        (b"x" * 3_000_000, "it is longer than 1,048,576 bytes"),
    ],
    ids=lambda one: one[:40] if isinstance(one, str) else "",
)
def test_what_has_no_tempo_map_is_refused_in_a_sentence(data: bytes, says: str) -> None:
    with pytest.raises(ValueError, match=f"^{says}$"):
        tempo_of(data)


@pytest.mark.parametrize(
    ("event", "says"),
    [("FF5102 0000", "a tempo has 2 bytes, and not 3"), ("FF5801 04", "a metre has 1 bytes, and not 4")],
)
def test_a_change_that_is_too_short_is_refused(event: str, says: str) -> None:
    body = bytes.fromhex(f"00 {event} 00 FF2F00")
    data = RP001_EXAMPLE[:14] + b"MTrk" + len(body).to_bytes(4, "big") + body
    with pytest.raises(ValueError, match=f"^it is damaged: {says}$"):
        tempo_of(data)


def _tried(data: bytes) -> TempoMap | str:
    """The map, or what is wrong."""
    try:
        return tempo_of(data)
    except ValueError as error:
        return str(error)


def _is_a_sentence(says: str) -> bool:
    return says.isprintable() and 10 < len(says) < 200


@given(st.data(), st.lists(st.tuples(st.integers(0, 10_000), st.integers(0, 255)), min_size=1, max_size=6))
def test_a_file_with_wrong_bytes_gives_a_map_or_a_sentence(data: st.DataObject, hits: list[tuple[int, int]]) -> None:
    changes = saved([(0, metre(6, 8)), (0, tempo(400_000)), (1440, metre(3, 4)), (1500, tempo(6_000_000))])
    damaged = bytearray(data.draw(st.sampled_from([RP001_EXAMPLE, changes])))
    for at, byte in hits:
        damaged[at % len(damaged)] = byte
    ours = _tried(bytes(damaged))
    assert _is_a_sentence(ours) if isinstance(ours, str) else ours.at_bar(1) == 0 < ours.at_bar(2)


@given(st.lists(st.tuples(st.binary(max_size=4), st.sampled_from([0x51, 0x58, 0x2F, 0x0A]), st.binary(max_size=6))))
def test_any_changes_give_a_map_or_a_sentence(events: list[tuple[bytes, int, bytes]]) -> None:
    body = b"".join(when + bytes((0xFF, kind, len(what))) + what for when, kind, what in events)
    ours = _tried(RP001_EXAMPLE[:14] + b"MTrk" + len(body).to_bytes(4, "big") + body)
    assert _is_a_sentence(ours) if isinstance(ours, str) else ours.at_bar(1) == 0 < ours.at_bar(2)
