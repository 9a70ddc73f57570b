"""Following players that are late, slow or fast, that jump and lose messages; and garbage."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

import pytest
from depth import examples
from hypothesis import given, settings
from hypothesis import strategies as st
from played import (
    CLOCK,
    CONTINUE,
    MS,
    SECOND,
    START,
    STOP,
    Delay,
    Heard,
    Player,
    by_chance,
    by_periods,
    heard,
    late,
    wrong,
)

from stagectl.core.tempo import BarChange, Metre, TempoMap, by_bars
from stagectl.tracks.follow import SAY_NS, Follower, Kind, Said
from stagectl.tracks.line import MESSAGES_MIN
from stagectl.wire.time_code import (
    PIECES,
    RATES,
    Rate,
    frame_begins,
    full_frame,
    quarter_begins,
    quarter_frame,
    song_position,
)

STEADY = by_bars([BarChange(1, Fraction(120))])
EACH_RATE = pytest.mark.parametrize("rate", RATES.values(), ids=lambda rate: rate.word)
KINDS: tuple[Kind, ...] = ("clock", "time code")
SEEDS = st.integers(0, 2**32)
PPM = st.integers(-200, 200)
ERROR = 3 * MS

DELAYS = st.one_of(
    st.builds(by_chance, SEEDS),
    # Periods of 64 to 480 frames at 48 kHz.
    st.builds(by_periods, st.sampled_from([1_333_333, 2_666_667, 5_333_333, 10_000_000]), st.integers(0, 10 * MS)),
)


@st.composite
def tempos(draw: st.DrawFn) -> TempoMap:
    """Songs of all tempos, most of them with changes."""
    bars = [1, *sorted(draw(st.sets(st.integers(2, 12), max_size=3)))]
    return by_bars(
        [BarChange(bar, draw(st.fractions(50, 250, max_denominator=10)), Metre(4, 4)) for bar in bars],
        begins=draw(st.integers(-SECOND, 5 * SECOND)),
    )


# -- late, slow and fast ----------------------------------------------------------------------------------------------


def _is_near(said: list[Said], player: Player, sent: list[Heard], arrived: list[Heard]) -> None:
    """Late by no more than the least delay of the last second, and ahead by no more than the clocks drift apart in the
    window; and no more often said than ten times a second."""
    assert said and all(one.runs for one in said)
    assert all(then.at - one.at >= SAY_NS for one, then in pairwise(said))
    delays = [(came.at, came.at - went.at) for went, came in zip(sent, arrived, strict=True)]
    for one in said:
        least = min(delay for at, delay in delays if one.at - SECOND <= at <= one.at)
        assert -least - MS < wrong(one, player) < MS


@settings(max_examples=examples(20))
@given(tempo=tempos(), ppm=PPM, delay=DELAYS)
def test_late_clocks_are_followed(tempo: TempoMap, ppm: int, delay: Delay) -> None:
    follower, player = Follower("clock", tempo), Player(ppm=ppm)
    begins = player.time(tempo.begins) - 20 * MS
    sent = list(player.clocks(tempo, 0, tempo.begins + 12 * SECOND))
    arrived = list(late(sent, delay))
    start, *said = heard(follower, [Heard(begins, START), *arrived])
    assert start == Said(tempo.begins, begins, False)
    _is_near(said, player, sent, arrived)
    assert all(then.at - one.at < SAY_NS + 60 * MS for one, then in pairwise(said))


@settings(max_examples=examples(20))
@given(tempo=tempos(), ppm=PPM, seed=SEEDS)
def test_clocks_late_by_chance_are_followed_within_3_ms(tempo: TempoMap, ppm: int, seed: int) -> None:
    """Late by 0 to 10 ms. As soon as two quarter notes have been heard."""
    follower, player = Follower("clock", tempo), Player(ppm=ppm)
    sent = list(late(player.clocks(tempo, 0, tempo.begins + 12 * SECOND), by_chance(seed)))
    follower.hear(START, sent[0].at - 1)
    settled = [one for one in heard(follower, sent) if one.at >= sent[MESSAGES_MIN].at]
    assert len(settled) > 50
    assert all(abs(wrong(one, player)) < ERROR for one in settled)


@EACH_RATE
@settings(max_examples=8)
@given(since=st.integers(0, 20 * 3_600 * SECOND), ppm=PPM, delay=DELAYS)
def test_late_time_code_is_followed(rate: Rate, since: int, ppm: int, delay: Delay) -> None:
    follower, player = Follower("time code"), Player.at(since, ppm=ppm)
    sent = list(player.code(rate, since, since + 8 * SECOND))
    arrived = list(late(sent, delay))
    said = heard(follower, arrived)
    # The pieces before the first whole name mean nothing.
    first = next(at for at, one in enumerate(sent) if one.packet[1] >> 4 == 0)
    _is_near(said, player, sent[first:], arrived[first:])
    assert said[0].at == arrived[first + PIECES - 1].at


@EACH_RATE
@settings(max_examples=8)
@given(since=st.integers(0, 20 * 3_600 * SECOND), ppm=PPM, seed=SEEDS)
def test_time_code_late_by_chance_is_followed_within_3_ms(rate: Rate, since: int, ppm: int, seed: int) -> None:
    follower, player = Follower("time code"), Player.at(since, ppm=ppm)
    sent = list(late(player.code(rate, since, since + 8 * SECOND), by_chance(seed)))
    settled = [one for one in heard(follower, sent) if one.at >= sent[MESSAGES_MIN + PIECES].at]
    assert len(settled) > 50
    assert all(abs(wrong(one, player)) < ERROR for one in settled)


@settings(max_examples=examples(15))
@given(tempo=tempos(), seed=SEEDS, stops=st.lists(st.integers(200, 4_000), min_size=1, max_size=4))
def test_stops_and_continues_lose_nothing(tempo: TempoMap, seed: int, stops: list[int]) -> None:
    """Each stop is said where it was, each continue goes on from there."""
    follower, delay, at, clock = Follower("clock", tempo), by_chance(seed), SECOND, 0
    said = list(follower.hear(START, at))
    for length in stops:
        player = Player.at(tempo.at_clock(clock), at + 20 * MS)
        runs = list(late(player.clocks(tempo, clock, tempo.at_clock(clock) + length * MS), delay))
        said = heard(follower, runs)
        assert all(one.runs for one in said) and abs(wrong(said[-1], player)) <= 10 * MS
        clock += len(runs)
        at = runs[-1].at + 5 * MS
        (stopped,) = follower.hear(STOP, at)
        assert not stopped.runs
        assert tempo.at_clock(clock - 1) <= stopped.position <= tempo.at_clock(clock)
        at += SECOND
        assert follower.hear(CONTINUE, at) == ()
    assert follower.hear(CLOCK, at) == (Said(tempo.at_clock(clock), at, True),)


# -- jumps ------------------------------------------------------------------------------------------------------------


@EACH_RATE
@settings(max_examples=10)
@given(
    to=st.integers(0, 3_600 * SECOND),
    piece=st.integers(0, PIECES - 1),
    delay=DELAYS,
    ordered=st.booleans(),
)
def test_a_jump_of_time_code_is_followed_and_no_place_between_is_said(
    rate: Rate, to: int, piece: int, delay: Delay, ordered: bool
) -> None:
    """The pieces either begin anew where the track jumps, or go on in their order, so that a name is of two halves."""
    since = 1_800 * SECOND
    before = list(Player().code(rate, since, since + 2 * SECOND + int(piece * SECOND / rate.real / 4)))
    jumped_at = before[-1].at + int(SECOND / rate.real / 4)
    goes_on = (before[-1].packet[1] >> 4) + 1 if ordered else 0
    quarter = int(to * rate.real * 4 // SECOND) // PIECES * PIECES + goes_on % PIECES
    there = Player.at(quarter_begins(quarter, rate), jumped_at)
    after = list(there.code(rate, quarter_begins(quarter, rate), quarter_begins(quarter, rate) + 2 * SECOND))
    follower = Follower("time code")
    said = heard(follower, late([*before, *after], delay))
    assert all(one.runs for one in said)
    for one in said:
        errors = [wrong(one, Player()), wrong(one, there)]
        assert any(-13 * MS < error < ERROR for error in errors), errors
    # Three names at most, of two frames each.
    in_time = jumped_at + int(6 * SECOND / rate.real) + 20 * MS
    assert all(-13 * MS < wrong(one, there) < ERROR for one in said if one.at > in_time)
    assert sum(one.at > in_time for one in said) >= 10


@pytest.mark.parametrize("piece", range(PIECES - 1))
def test_a_jump_to_the_beginning_of_a_name_is_no_turning_back(piece: int) -> None:
    """From piece 1 to piece 0 is a step back; and so the track runs on."""
    follower, rate, player = Follower("time code"), RATES["25"], Player()
    before = list(player.code(rate, 0, quarter_begins(10 * PIECES + piece + 1, rate)))
    assert before[-1].packet[1] >> 4 == piece
    there = Player.at(600 * SECOND, before[-1].at + 10 * MS)
    said = heard(follower, [*before, *there.code(rate, 600 * SECOND, 601 * SECOND)])
    assert all(one.runs for one in said)
    # Said with the first whole name.
    jumped = next(one for one in said if one.position > 500 * SECOND)
    assert jumped.at == there.time(600 * SECOND + quarter_begins(PIECES - 1, rate))


@EACH_RATE
@settings(max_examples=10)
@given(lost=st.sets(st.integers(8, 300), max_size=12), delay=DELAYS)
def test_lost_pieces_are_no_jump(rate: Rate, lost: set[int], delay: Delay) -> None:
    follower, player = Follower("time code"), Player()
    sent = [one for number, one in enumerate(late(player.code(rate, 0, 6 * SECOND), delay)) if number not in lost]
    said = heard(follower, sent)
    assert all(one.runs for one in said)
    assert all(-13 * MS < wrong(one, player) < ERROR for one in said)


@EACH_RATE
def test_a_full_frame_takes_a_running_track_elsewhere(rate: Rate) -> None:
    follower, player = Follower("time code"), Player()
    heard(follower, player.code(rate, 0, 3 * SECOND))
    where = frame_begins(3_000, rate)
    at = player.time(3 * SECOND)
    assert follower.hear(full_frame(3_000, rate), at) == (Said(where, at, False),)
    there = Player.at(where, at + 500 * MS)
    said = heard(follower, there.code(rate, where, where + SECOND))
    assert said[0].runs and all(abs(wrong(one, there)) <= 2 for one in said)


@pytest.mark.parametrize("stall_ms", [40, 100, 190])
def test_a_track_that_stands_still_for_a_moment_is_found_again(stall_ms: int) -> None:
    """Its pieces go on where they were, only later."""
    follower, rate = Follower("time code"), RATES["30"]
    player, then = Player(), Player(zero=Player().zero + stall_ms * MS)
    said = heard(follower, [*player.code(rate, 0, 2 * SECOND), *then.code(rate, 2 * SECOND, 4 * SECOND)])
    assert all(one.runs for one in said)
    assert all(abs(wrong(one, then)) <= 2 for one in said if one.at > then.time(2 * SECOND) + 100 * MS)


@settings(max_examples=examples(15))
@given(ratio=st.fractions(Fraction(4, 5), Fraction(5, 4), max_denominator=50), seed=SEEDS)
def test_a_clock_at_another_tempo_than_the_song_s_is_followed_clock_by_clock(ratio: Fraction, seed: int) -> None:
    """The setlist says 120 and the player plays, say, 110: what it counts is right all the same."""
    follower = Follower("clock", STEADY)
    steps = [Heard(SECOND + round(STEADY.at_clock(number) * ratio), CLOCK) for number in range(600)]
    follower.hear(START, SECOND - MS)
    for number, one in enumerate(late(steps, by_chance(seed)), 1):
        for said in follower.hear(one.packet, one.at):
            # Between the clock that came and the one that did not.
            assert STEADY.at_clock(number - 1) <= said.position <= STEADY.at_clock(number)


# -- garbage and the like ---------------------------------------------------------------------------------------------


PACKETS = st.one_of(
    st.binary(max_size=12),
    st.sampled_from([CLOCK, START, CONTINUE, STOP, b"\xfe", b"\xf6", b"\xf1", b"\xf2\x00"]),
    st.builds(lambda data: bytes((0xF1, data)), st.integers(0, 255)),
    st.builds(lambda unit: song_position(unit), st.integers(0, 16_383)),
    st.builds(
        lambda frame, rate: full_frame(frame, RATES[rate]), st.integers(0, 10**6), st.sampled_from(sorted(RATES))
    ),
)


@pytest.mark.parametrize("kind", KINDS)
@settings(max_examples=examples(60))
@given(
    messages=st.lists(st.tuples(PACKETS, st.integers(-SECOND, 2 * SECOND)), max_size=120), tempo=st.none() | tempos()
)
def test_garbage_never_raises(kind: Kind, messages: list[tuple[bytes, int]], tempo: TempoMap | None) -> None:
    follower, now = Follower(kind, tempo), 0
    said: list[Said] = []
    for packet, gap in messages:
        now += gap
        said += follower.hear(packet, now)
        assert follower.runs == (said[-1].runs if said else False)
        assert (follower.due is None) is not follower.runs
    assert [one.at for one in said] == sorted(one.at for one in said)
    # Whatever was heard, a track stands when all is silent.
    follower.silent(now + 10**12)
    assert not follower.runs and follower.due is None


@pytest.mark.parametrize("kind", KINDS)
def test_the_other_kind_s_messages_mean_nothing(kind: Kind) -> None:
    follower = Follower(kind, STEADY)
    sent = (
        [Heard(at * MS, quarter_frame(at, RATES["30"])) for at in range(100)]
        if kind == "clock"
        else [Heard(at * MS, packet) for at, packet in enumerate([START, *[CLOCK] * 50, STOP, song_position(4)])]
    )
    assert heard(follower, sent) == []


@pytest.mark.parametrize("kind", KINDS)
def test_reset_forgets_everything(kind: Kind) -> None:
    follower, player = Follower(kind, STEADY), Player()
    code = player.code(RATES["25"], 0, SECOND)
    sent = [Heard(1, START), *player.clocks(STEADY, 0, SECOND)] if kind == "clock" else list(code)
    first = heard(follower, sent)
    assert follower.runs
    follower.reset(STEADY)
    assert not follower.runs and follower.due is None
    assert heard(follower, sent) == first
