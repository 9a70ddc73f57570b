"""Following a player: the messages of the specifications, each in time."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from played import CLOCK, CONTINUE, MS, SECOND, START, STOP, Heard, Player, heard, wrong

from stagectl.core.tempo import BarChange, Metre, by_bars
from stagectl.tracks.follow import CLOCK_SILENCE_NS, CODE_SILENCE_NS, Follower, Said
from stagectl.wire.time_code import (
    PIECES,
    RATES,
    Rate,
    TimeCode,
    frame_begins,
    frame_of,
    quarter_begins,
    quarter_frame,
    song_position,
)

STEADY = by_bars([BarChange(1, Fraction(120))])
"""A clock every 20.83 ms, a sixteenth every 125 ms."""

EACH_RATE = pytest.mark.parametrize("rate", RATES.values(), ids=lambda rate: rate.word)


# -- clock: the messages of the specification -------------------------------------------------------------------------


def test_start_takes_effect_with_the_next_clock() -> None:
    # MIDI 1.0 Detailed Specification 4.2.1, Start: the next clock is the first of the song.
    follower = Follower("clock", STEADY)
    assert follower.hear(START, SECOND) == (Said(0, SECOND, False),)
    assert not follower.runs and follower.due is None
    assert follower.hear(CLOCK, 2 * SECOND) == (Said(0, 2 * SECOND, True),)
    assert follower.runs


def test_stop_holds_and_continue_goes_on_with_the_next_clock() -> None:
    # The same, Stop and Continue: it goes on from where it was stopped.
    follower, player = Follower("clock", STEADY), Player()
    said = heard(follower, [Heard(player.zero - MS, START), *player.clocks(STEADY, 0, SECOND)])
    assert said[-1].runs
    stopped = follower.hear(STOP, player.time(SECOND - 8 * MS))
    assert stopped == (Said(SECOND - 8 * MS, player.time(SECOND - 8 * MS), False),)
    # Clocks go on while it stands, and mean nothing.
    assert heard(follower, [Heard(player.time(2 * SECOND) + at, CLOCK) for at in range(0, SECOND, 20 * MS)]) == []
    again = 30 * SECOND
    assert follower.hear(CONTINUE, again) == ()
    assert follower.hear(CLOCK, again + MS) == (Said(SECOND, again + MS, True),)


def test_a_stop_is_news_where_nothing_was_known() -> None:
    """The port was away for a moment, while the track ran: where it is, whoever knew it has to say."""
    follower, player = Follower("clock", STEADY), Player()
    heard(follower, [Heard(player.zero - MS, START), *player.clocks(STEADY, 0, SECOND)])
    follower.reset(STEADY)
    assert heard(follower, list(player.clocks(STEADY, SECOND, 2 * SECOND))) == []
    (said,) = follower.hear(STOP, player.time(2 * SECOND))
    assert (said.at, said.runs, said.heard) == (player.time(2 * SECOND), False, False)
    assert follower.hear(STOP, player.time(3 * SECOND)) == ()


@pytest.mark.parametrize(("where", "clock"), [(START, 0), (song_position(10), 60)], ids=["start", "song position"])
def test_a_continue_says_nothing_where_nobody_knows_from_where(where: bytes, clock: int) -> None:
    """The port was away in mid-song: no clock is the one after the last that was heard."""
    follower, player = Follower("clock", STEADY), Player()
    heard(follower, [Heard(player.zero - MS, START), *player.clocks(STEADY, 0, SECOND)])
    follower.reset(STEADY)
    at = player.time(2 * SECOND)
    assert heard(follower, [Heard(at, CONTINUE), *(Heard(at + one, CLOCK) for one in range(0, SECOND, 20 * MS))]) == []
    again = at + 2 * SECOND
    assert follower.hear(where, again) == (Said(STEADY.at_clock(clock), again, False),)
    assert follower.hear(CLOCK, again + MS) == (Said(STEADY.at_clock(clock), again + MS, True),)


def test_another_song_begins_at_its_beginning() -> None:
    """And what was to go on from nobody knows where is over with the song before."""
    follower = Follower("clock", STEADY)
    follower.hear(CONTINUE, SECOND)
    follower.play(STEADY)
    assert follower.hear(CLOCK, 2 * SECOND) == ()
    follower.hear(CONTINUE, 3 * SECOND)
    assert follower.hear(CLOCK, 4 * SECOND) == (Said(0, 4 * SECOND, True),)


def test_a_stop_says_no_more_than_was_heard() -> None:
    """However late it comes: the track is no further than the clock that did not come."""
    follower, player = Follower("clock", STEADY), Player()
    heard(follower, [Heard(player.zero - MS, START), *player.clocks(STEADY, 0, SECOND)])
    assert follower.hear(STOP, player.time(SECOND + 600 * MS))[0].position == SECOND


def test_a_song_position_is_six_clocks_a_unit() -> None:
    # The same, Song Position Pointer: one unit is 6 clocks; 10 units are 60, at 120 BPM 1.25 s.
    follower = Follower("clock", STEADY)
    assert follower.hear(song_position(10), SECOND) == (Said(1_250 * MS, SECOND, False),)
    assert follower.hear(song_position(10), SECOND) == ()
    assert follower.hear(CONTINUE, 2 * SECOND) == ()
    assert follower.hear(CLOCK, 3 * SECOND) == (Said(1_250 * MS, 3 * SECOND, True),)
    assert follower.hear(STOP, 3 * SECOND + 1) == (Said(1_250 * MS + 1, 3 * SECOND + 1, False),)
    assert follower.hear(START, 4 * SECOND) == (Said(0, 4 * SECOND, False),)


@pytest.mark.parametrize("jump", [song_position(320), START], ids=["song position", "start"])
def test_a_jump_while_it_runs_is_said_with_its_first_clock(jump: bytes) -> None:
    follower, player = Follower("clock", STEADY), Player()
    heard(follower, [Heard(player.zero - MS, START), *player.clocks(STEADY, 0, 3 * SECOND)])
    assert follower.hear(jump, player.time(3 * SECOND)) == ()
    at = player.time(3 * SECOND) + 7 * MS
    assert follower.hear(CLOCK, at) == (Said(0 if jump == START else 40 * SECOND, at, True),)


def test_the_song_s_tempo_map_says_where_a_clock_is() -> None:
    """A count-in before bar 1, then 6/8 at 90 quarter notes a minute, then twice as fast."""
    lilt = by_bars([BarChange(1, Fraction(90), Metre(6, 8)), BarChange(3, Fraction(180))], begins=4 * SECOND)
    follower = Follower("clock", lilt)
    assert follower.hear(START, 0) == (Said(4 * SECOND, 0, False),)
    assert follower.hear(song_position(24), 1) == (Said(8 * SECOND, 1, False),)
    assert follower.hear(song_position(36), 2) == (Said(9 * SECOND, 2, False),)


def test_without_a_tempo_a_clock_says_nothing() -> None:
    follower = Follower("clock")
    assert heard(follower, [Heard(1, START), Heard(2, CLOCK), Heard(3, song_position(3)), Heard(4, STOP)]) == []
    follower.reset(STEADY)
    assert follower.hear(START, 5) == (Said(0, 5, False),)


def test_a_clock_that_falls_silent_stands_and_counts_on() -> None:
    follower, player = Follower("clock", STEADY), Player()
    last = list(player.clocks(STEADY, 0, SECOND))
    heard(follower, [Heard(player.zero - MS, START), *last])
    assert follower.due == last[-1].at + CLOCK_SILENCE_NS + 1
    assert follower.silent(follower.due - 1) == ()
    stands = follower.silent(follower.due)
    assert stands == (Said(STEADY.at_clock(47), last[-1].at + CLOCK_SILENCE_NS + 1, False),)
    assert follower.due is None and follower.silent(10**15) == ()
    assert follower.hear(STOP, 20 * SECOND) == ()
    assert follower.hear(CONTINUE, 21 * SECOND) == ()
    assert follower.hear(CLOCK, 22 * SECOND) == (Said(SECOND, 22 * SECOND, True),)


def test_a_lost_clock_puts_the_track_back_by_one() -> None:
    follower, player = Follower("clock", STEADY), Player()
    sent = list(player.clocks(STEADY, 0, 10 * SECOND))
    said = heard(follower, [Heard(player.zero - MS, START), *sent[:100], *sent[101:]])
    assert wrong(said[-1], player) == -(STEADY.at_clock(1))


# -- time code: the messages of the specification ---------------------------------------------------------------------


def test_the_quarter_frames_of_the_worked_example() -> None:
    # MTC (RP-004/008): 01:37:52:16 at 30 frames a second, non-drop. It is the time of the first piece.
    follower = Follower("time code")
    pieces = bytes.fromhex("00 11 24 33 45 52 61 76")
    quarter = SECOND / Fraction(120)
    sent = [Heard(SECOND + round(number * quarter), bytes((0xF1, piece))) for number, piece in enumerate(pieces)]
    assert heard(follower, sent[:-1]) == []
    (said,) = heard(follower, sent[-1:])
    first = frame_begins(frame_of(TimeCode(1, 37, 52, 16), RATES["30"]), RATES["30"])
    assert said.runs and said.at == sent[-1].at
    assert abs(said.position - (first + round(7 * quarter))) <= 1


@EACH_RATE
def test_a_name_is_two_frames_old_when_the_next_begins(rate: Rate) -> None:
    follower, player = Follower("time code"), Player()
    said = heard(follower, player.code(rate, 0, 20 * SECOND))
    assert all(abs(wrong(one, player)) <= 2 for one in said)
    # The first name is whole with its eighth piece.
    assert said[0].at == player.time(quarter_begins(7, rate))


def test_a_full_frame_is_a_place_and_no_running() -> None:
    # MTC, full message F0 7F 7F 01 01 61 25 34 10 F7: 01:37:52:16 at 30.
    follower, rate = Follower("time code"), RATES["30"]
    where = frame_begins(frame_of(TimeCode(1, 37, 52, 16), rate), rate)
    packet = bytes.fromhex("F0 7F 7F 01 01 61 25 34 10 F7")
    assert follower.hear(packet, SECOND) == (Said(where, SECOND, False),)
    assert follower.hear(packet, 2 * SECOND) == ()
    assert follower.due is None


@EACH_RATE
def test_time_code_that_falls_silent_has_stopped(rate: Rate) -> None:
    follower, player = Follower("time code"), Player()
    sent = list(player.code(rate, 0, 10 * SECOND))
    assert heard(follower, sent)[-1].runs
    assert follower.due == sent[-1].at + CODE_SILENCE_NS + 1
    assert follower.silent(follower.due - 1) == () and follower.runs
    (said,) = follower.silent(follower.due)
    assert (said.at, said.runs) == (sent[-1].at + CODE_SILENCE_NS + 1, False)
    assert abs(said.position - player.position(sent[-1].at)) <= 2
    assert follower.due is None and not follower.runs


def test_a_silence_that_nobody_asked_for_is_said_with_the_next_message() -> None:
    follower, player, rate = Follower("time code"), Player(), RATES["25"]
    heard(follower, player.code(rate, 0, SECOND))
    said = heard(follower, Player(player.zero + 5 * SECOND).code(rate, SECOND, 2 * SECOND))
    assert [one.runs for one in said[:2]] == [False, True]
    assert abs(wrong(said[1], Player(player.zero + 5 * SECOND))) <= 2


@EACH_RATE
@settings(max_examples=10)
@given(since=st.integers(0, 3_600 * SECOND), back=st.integers(0, 3_600 * SECOND))
def test_time_code_that_runs_backwards_only_says_where_it_is(rate: Rate, since: int, back: int) -> None:
    follower, player = Follower("time code"), Player()
    sent = list(player.code(rate, since, since + SECOND))
    assert heard(follower, sent)[-1].runs
    first = back * rate.real // SECOND // 2 * PIECES + 40 * PIECES
    turned, step = sent[-1].at, int(SECOND / rate.real / 4)
    said: list[Said] = []
    for number in range(20 * PIECES):
        at, quarter = turned + (number + 1) * step, int(first) - 1 - number
        found = follower.hear(quarter_frame(quarter, rate), at)
        assert not any(one.runs for one in found)
        # Where it is: no further than a name takes from the quarter that it has come to.
        assert all(
            abs(one.position - quarter_begins(quarter, rate)) < 16 * step for one in found if one.at > turned + 9 * step
        )
        said += found
    assert len(said) >= 15 and not follower.runs and follower.due is None


def test_a_day_begins_anew_after_24_hours() -> None:
    rate = RATES["30"]
    follower, player = Follower("time code"), Player(zero=-24 * 3_600 * SECOND)
    said = heard(follower, player.code(rate, 24 * 3_600 * SECOND - 3 * SECOND, 24 * 3_600 * SECOND + 3 * SECOND))
    assert all(one.runs for one in said)
    for one in said:
        assert abs((one.position - player.position(one.at)) % (24 * 3_600 * SECOND)) in (0, 1, 2)
    assert any(one.position < SECOND for one in said)
