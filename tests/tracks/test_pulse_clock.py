"""MIDI clock against the tempo map and the rules of the MIDI 1.0 Detailed Specification 4.2.1: 24 clocks a quarter,
Start and Continue at least 1 ms before the clock that they mean, song position in sixteenths of six clocks."""

from __future__ import annotations

import ast
from fractions import Fraction
from itertools import islice, pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pulse_receiver import MS, ClockReceiver, S, Stage

from stagectl.core.tempo import BarChange, Metre, TempoMap, by_bars
from stagectl.tracks.pulse import clock, code, pace, score
from stagectl.tracks.pulse.clock import JUMP_NS, LEAD_NS, OPENING_NS
from stagectl.tracks.pulse.score import Due, Score, Wants

CLOCK, START, CONTINUE, STOP = b"\xf8", b"\xfa", b"\xfb", b"\xfc"
AT_120 = by_bars([BarChange(1, Fraction(120))])

tempi = st.fractions(Fraction(10), Fraction(1_000), max_denominator=1_000)
metres = st.builds(Metre, st.integers(1, 12), st.sampled_from((2, 4, 8, 16)))
"""Tempo and metre of one bar."""


@st.composite
def maps(draw: st.DrawFn) -> TempoMap:
    """Tempo maps with a few changes; bar 1 is anywhere in the first seconds."""
    bars = [1, *sorted(draw(st.sets(st.integers(2, 40), max_size=4)))]
    return by_bars([BarChange(bar, draw(tempi), draw(metres)) for bar in bars], draw(st.integers(-S, 5 * S)))


def begun(tempo: TempoMap, position: int, zero: int = 0, now: int | None = None) -> Score:
    score = Score(Wants(clock=True))
    score.run(tempo, zero, position, now)
    return score


@given(maps(), st.integers(0, 10**15))
def test_from_before_bar_1_every_clock_is_where_the_map_has_it(tempo: TempoMap, zero: int) -> None:
    score = begun(tempo, tempo.begins - S, zero)
    start, *clocks = islice(score.messages(), 150)
    assert start == (zero + tempo.begins - LEAD_NS, START)
    assert clocks == [Due(zero + tempo.at_clock(clock), CLOCK) for clock in range(149)]


def test_48_clocks_a_second_at_120_a_minute() -> None:
    """The figure of the specification: 120 beats a minute are 48 clocks a second."""
    due = [due.at for due in islice(begun(AT_120, -S).messages(), 1, 48 * 60 + 10)]
    assert len([at for at in due if at < 60 * S]) == 48 * 60


@given(maps(), st.integers(0, 5 * MS))
def test_with_no_time_left_start_leaves_at_once(tempo: TempoMap, left: int) -> None:
    """And the first clock is late by no more than what has to be between, which is soon made good."""
    (at, start), *clocks = islice(begun(tempo, tempo.begins - left).messages(), 200)
    assert (at, start) == (tempo.begins - min(left, LEAD_NS), START)
    assert clocks[0].at - at >= MS
    assert clocks[0].at - tempo.begins <= 1.32 * MS
    assert clocks[-1].at == tempo.at_clock(198)


@given(maps(), st.integers(1, 200 * S))
def test_after_bar_1_it_goes_on_at_the_first_sixteenth(tempo: TempoMap, into: int) -> None:
    position = tempo.begins + into
    receiver = ClockReceiver()
    stage = Stage(begun(tempo, position), receiver.hear)
    stage.now = position
    stage.until(position + 2 * S)
    assert [due.message[:1] for due in stage.sent[:4]] == [STOP, b"\xf2", CONTINUE, CLOCK]
    first, _ = receiver.at[0]
    assert first % 6 == 0
    assert tempo.at_clock(first - 6) < position <= tempo.at_clock(first)
    assert all(0 <= at - tempo.at_clock(clock) <= OPENING_NS for clock, at in receiver.at)


def test_ten_units_of_song_position_are_sixty_clocks() -> None:
    """The example of the specification."""
    stop, where, go, *clocks = islice(begun(AT_120, AT_120.at_clock(60)).messages(), 100)
    assert (stop.message, where.message, go.message) == (STOP, bytes((0xF2, 10, 0)), CONTINUE)
    assert clocks[-1].at == AT_120.at_clock(60 + 96)


def test_a_receiver_that_is_known_to_be_stopped_is_not_stopped_again() -> None:
    score = begun(AT_120, -S)
    stage = Stage(score)
    stage.until(S)
    score.halt(stage.now)
    assert score.take(stage.now) == STOP
    assert score.due is None
    score.run(AT_120, 0, 10 * S, 5 * S)
    assert score.due is not None
    assert score.take(score.due) == bytes((0xF2, 80, 0))


@pytest.mark.parametrize(("unit", "goes_on"), [(16_383, True), (16_384, False)])
def test_there_is_no_song_position_beyond_14_bits(unit: int, goes_on: bool) -> None:
    score = begun(AT_120, AT_120.at_clock(6 * unit))
    assert (score.due is not None) == goes_on
    if goes_on:
        assert next(islice(score.messages(), 1, None)).message == b"\xf2\x7f\x7f"


def test_clocks_go_on_beyond_it() -> None:
    """Also after a stall: where the song is cannot be said, so every clock is."""
    first = 6 * 16_383
    receiver = ClockReceiver()
    stage = Stage(begun(AT_120, AT_120.at_clock(first)), receiver.hear)
    stage.until(AT_120.at_clock(first + 240))
    lates = iter((S,))
    stage.until(AT_120.at_clock(first + 480), lambda: next(lates, 0))
    assert [clock for clock, _ in receiver.at] == list(range(first, first + 481))
    assert receiver.at[-1][1] == AT_120.at_clock(first + 480)


def test_without_a_tempo_map_there_is_no_clock() -> None:
    score = Score(Wants(clock=True))
    score.run(None, 0, 0)
    assert score.due is None


def test_a_song_without_a_map_stops_the_one_before() -> None:
    score = begun(AT_120, -S)
    stage = Stage(score)
    stage.until(S)
    score.run(None, S, 0, S)
    assert [due.message for due in score.messages()] == [STOP]


@given(st.integers(-S, 20 * S), st.integers(1, JUMP_NS), tempi)
def test_what_is_told_late_begins_where_it_should_and_catches_up(position: int, late: int, tempo: Fraction) -> None:
    """Told up to `JUMP_NS` after the position, it still begins there; no two clocks are closer than half of a step."""
    song = by_bars([BarChange(1, tempo)])
    clock = max(0, -(-song.clock_from(position) // 6) * 6)
    begins = song.at_clock(clock)
    receiver = ClockReceiver()
    score = begun(song, position, now=begins + late - 4 * MS)
    stage = Stage(score, receiver.hear)
    stage.until(begins + 3 * S)
    assert receiver.at[0][0] == clock
    step = song.at_clock(24) / 24
    assert all(step / 2 - 2 <= then - now for (_, now), (_, then) in pairwise(receiver.at))
    assert all(at == song.at_clock(clock) for clock, at in receiver.at if at > begins + 2 * late + 10 * MS + 3 * step)


def test_a_count_in_that_began_long_ago_still_starts_at_bar_1() -> None:
    score = begun(AT_120, -4 * S, now=-S)
    assert list(islice(score.messages(), 2)) == [Due(-LEAD_NS, START), Due(0, CLOCK)]


@given(st.integers(-S, 20 * S), st.integers(6, 10_000), st.integers(-S // 16, S // 16) | st.integers(-4 * MS, 4 * MS))
def test_what_is_told_long_after_begins_where_the_track_is(position: int, unit: int, off: int) -> None:
    """And there it is in time: the sixteenth is one for which there is."""
    now = AT_120.at_clock(6 * max(0, AT_120.clock_from(position) // 6) + 6 * unit) + off
    receiver = ClockReceiver()
    stage = Stage(begun(AT_120, position, now=now), receiver.hear)
    stage.now = now
    stage.until(now + 2 * S)
    assert AT_120.at_clock(receiver.at[0][0] - 6) < now + OPENING_NS
    assert all(at == AT_120.at_clock(clock) for clock, at in receiver.at)


def test_the_score_is_pure() -> None:
    """It imports nothing that reaches out of the process, waits, or knows a clock."""
    names = {"asyncio", "rtmidi", "select", "socket", "subprocess", "threading", "time"}
    for module in (pace, clock, code, score):
        tree = ast.parse(Path(str(module.__file__)).read_text("utf-8"))
        imports = {alias.name for node in ast.walk(tree) if isinstance(node, ast.Import) for alias in node.names}
        froms = {node.module or "" for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
        assert not names & {name.partition(".")[0] for name in imports | froms}
        assert not any(name.startswith("stagectl.ports") for name in froms)
