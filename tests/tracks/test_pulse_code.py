"""MIDI time code: what leaves when, against RP-004/008 (quarter frames, full frames) and drop frame counting."""

from __future__ import annotations

from fractions import Fraction
from itertools import islice, pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pulse_receiver import MS, CodeReceiver, S, Stage

from stagectl.core.tempo import BarChange, by_bars
from stagectl.tracks.pulse.code import FULL_NS, LATE_NS
from stagectl.tracks.pulse.score import Due, Score, Wants
from stagectl.wire.time_code import RATES, Rate, TimeCode, frame_begins, frame_of, quarter_begins

rates = pytest.mark.parametrize("rate", RATES.values(), ids=str)


def begun(rate: Rate, position: int, now: int | None = None) -> tuple[Stage, CodeReceiver]:
    score, receiver = Score(Wants(clock=False, time_code=rate)), CodeReceiver()
    score.run(None, 0, position, now)
    stage = Stage(score, receiver.hear)
    stage.now = position if now is None else now
    return stage, receiver


def test_the_example_of_the_standard() -> None:
    """01:37:52:16 at 30 frames a second, non-drop (RP-004/008): the full frame, and the eight quarter frames."""
    position = ((1 * 60 + 37) * 60 + 52) * S + 16 * S // 30
    stage, _ = begun(RATES["30"], position, position - S)
    stage.until(position + S // 15)
    full, *quarters = [due.message.hex(" ") for due in stage.sent[:9]]
    assert full == "f0 7f 7f 01 01 61 25 34 10 f7"
    assert quarters == [f"f1 {piece}" for piece in ["00", "11", "24", "33", "45", "52", "61", "76"]]


@rates
def test_a_quarter_frame_leaves_every_quarter_of_a_frame(rate: Rate) -> None:
    """24, 25, 30,000/1,001 and 30 frames a second."""
    stage, _ = begun(rate, -S)
    stage.until(20 * S)
    quarters = [at for at, message in stage.sent if message[0] == 0xF1]
    frames = {"24": Fraction(24), "25": Fraction(25), "30 drop": Fraction(30_000, 1_001), "30": Fraction(30)}[rate.word]
    assert len(quarters) == int(20 * 4 * frames) + 1
    assert all(0 <= at - n * S / (4 * frames) < 1 for n, at in enumerate(quarters))


@rates
def test_names_follow_one_another_by_two_frames(rate: Rate) -> None:
    stage, receiver = begun(rate, 50 * S, 49 * S)
    stage.until(65 * S)
    names = [_frame(name, rate) for _, name in receiver.names]
    assert names == list(range(names[0], names[0] + 2 * len(names), 2))
    assert [at for at, _ in receiver.names] == [frame_begins(frame, rate) for frame in names]


def test_drop_frame_leaves_out_the_first_two_names_of_a_minute() -> None:
    """Minute 1 begins with frame 02, and minute 10 with 00 after 17,982 frames."""
    stage, receiver = begun(RATES["30 drop"], 58 * S)
    stage.until(62 * S)
    stage.score.moved(stage.now - 598 * S, stage.now)
    stage.until(stage.now + 4 * S)
    names = {(at if at <= 62 * S else at + 536 * S): name for at, name in receiver.names}
    assert names[-(-1_800 * 1_001 * S // 30_000)] == "30 drop: 00:01:00:02"
    assert names[-(-17_982 * 1_001 * S // 30_000)] == "30 drop: 00:10:00:00"
    said = set(names.values())
    assert "30 drop: 00:09:59:28" in said
    assert "30 drop: 00:01:00:00" not in said


@rates
def test_a_song_s_time_code_begins_where_the_song_says(rate: Rate) -> None:
    """At 01:00:00:00, with nothing before it in the count-in, and led along with the track."""
    score, receiver = Score(Wants(clock=False, time_code=rate)), CodeReceiver()
    hour = 3_600 * S
    score.run(None, 0, -2 * S, -2 * S, code_at=hour)
    stage = Stage(score, receiver.hear)
    stage.now = -2 * S
    stage.until(-1)
    assert not [due for due in stage.sent if due.message[0] == 0xF1]
    stage.until(S)
    score.moved(20 * S, stage.now)
    stage.until(25 * S)
    names = [(at, _frame(name, rate)) for at, name in receiver.names]
    first = names[0][1]
    assert abs(frame_begins(first, rate) - hour) <= 2 * S // 24
    last_at, last = names[-1]
    assert abs(frame_begins(last, rate) - hour - (last_at - 20 * S)) <= 2 * S // 24


@rates
@pytest.mark.parametrize(
    ("code_at_s", "name"),
    [(3_600, "01:00:00:00"), (36_000, "10:00:00:00"), (60, "00:01:00:00"), (32_940, "09:09:00:00")],
)
def test_its_first_frame_has_the_name_that_the_song_says(rate: Rate, code_at_s: int, name: str) -> None:
    """At 30 drop, too, where 00 and 01 of most minutes are left out: those begin with 02."""
    score, receiver = Score(Wants(clock=False, time_code=rate)), CodeReceiver()
    score.run(None, 0, 0, 0, code_at=code_at_s * S)
    stage = Stage(score, receiver.hear)
    stage.now = 0
    stage.until(S)
    if rate.drops and code_at_s % 600:
        name = name[:-1] + "2"
    assert receiver.full == [(0, f"{rate.word}: {name}")]
    # The first name that the pieces give is the same: what of it is over when the full frame is out comes then.
    assert receiver.names[0] == (FULL_NS, f"{rate.word}: {name}")


def test_a_count_in_has_no_time_code() -> None:
    stage, receiver = begun(RATES["25"], -4 * S)
    stage.until(-1)
    assert receiver.full == [(-4 * S, "25: 00:00:00:00")]
    assert len(stage.sent) == 1
    stage.until(S)
    assert receiver.names[0] == (0, "25: 00:00:00:00")


@given(st.sampled_from(list(RATES.values())), st.integers(0, 3_600 * S))
def test_it_begins_with_the_first_even_frame(rate: Rate, position: int) -> None:
    stage, receiver = begun(rate, position)
    stage.until(position + S)
    frame = _frame(receiver.names[0][1], rate)
    assert frame % 2 == 0
    assert frame_begins(frame - 2, rate) < position <= frame_begins(frame, rate)
    assert receiver.full == [(position, receiver.names[0][1])]
    assert receiver.names[0][0] - frame_begins(frame, rate) <= FULL_NS <= receiver.names[0][0] - position


@given(st.sampled_from(list(RATES.values())), st.integers(0, 3), st.integers(0, S), st.integers(0, 3))
def test_after_a_stall_it_goes_on_with_the_next_name(rate: Rate, seconds: int, stall: int, repeats: int) -> None:
    """What is named is never more than some milliseconds old, and quarter frames never come in a burst."""
    stage, receiver = begun(rate, 0)
    stage.until(seconds * S)
    lates = iter([stall] * (1 + repeats))
    stage.until((seconds + 3) * S, lambda: next(lates, 0))
    assert all(0 <= at - frame_begins(_frame(name, rate), rate) <= LATE_NS + FULL_NS for at, name in receiver.names)
    quarters = [at for at, message in stage.sent if message[0] == 0xF1]
    half = quarter_begins(1, rate) // 2
    assert sum(then - now < half - 1 for now, then in pairwise(quarters)) <= 1 + repeats
    assert receiver.names[-1][0] == frame_begins(_frame(receiver.names[-1][1], rate), rate)


@rates
def test_a_full_frame_that_is_late_tells_where_it_is_by_then(rate: Rate) -> None:
    stage, receiver = begun(rate, 0)
    lates = iter((5 * S,))
    stage.until(8 * S, lambda: next(lates, 0))
    (at, name), first = receiver.full[0], receiver.names[0]
    assert (at, name) == (5 * S, first[1])
    assert at < first[0] == frame_begins(_frame(name, rate), rate)


@rates
def test_a_jump_is_told_by_a_full_frame(rate: Rate) -> None:
    stage, receiver = begun(rate, 0)
    stage.until(10 * S)
    stage.score.moved(-100 * S, stage.now)
    stage.until(12 * S)
    assert [at for at, _ in receiver.full] == [0, 10 * S]
    after = [(at, _frame(name, rate)) for at, name in receiver.names if at > 10 * S]
    assert frame_begins(after[0][1] - 2, rate) < 110 * S <= frame_begins(after[0][1], rate)
    assert after[-1][0] + 100 * S == frame_begins(after[-1][1], rate)


def test_halted_it_is_silent() -> None:
    stage, _ = begun(RATES["24"], 0)
    stage.until(S)
    stage.score.halt(stage.now)
    assert stage.score.due is None


def test_beside_a_clock_the_full_frame_gives_way() -> None:
    """With no time left, Start and the first clock are not held up by the 3.2 ms that a full frame takes on a cable;
    with time, it goes first."""
    both = Wants(clock=True, time_code=RATES["25"])
    tempo = by_bars([BarChange(1, Fraction(120))])
    late, early = Score(both), Score(both)
    late.run(tempo, 0, 0)
    assert [due.message[0] for due in islice(late.messages(), 4)] == [0xFA, 0xF8, 0xF0, 0xF1]
    early.run(tempo, 0, 0, -100 * MS)
    assert [due.message[0] for due in islice(early.messages(), 4)] == [0xF0, 0xFA, 0xF8, 0xF1]


def test_start_waits_for_a_full_frame_that_was_late() -> None:
    score = Score(Wants(clock=True, time_code=RATES["25"]))
    score.run(by_bars([BarChange(1, Fraction(120))]), 0, 0, -S)
    stage = Stage(score)
    stage.now = -S
    lates = iter((S - 6 * MS,))
    stage.until(0, lambda: next(lates, 0))
    assert stage.sent[1] == Due(-6 * MS + FULL_NS, b"\xfa")


@given(st.booleans(), st.sampled_from((None, *RATES.values())), st.integers(-20 * MS, 10 * S), st.integers(-S, 0))
def test_a_cable_can_carry_what_begins(runs: bool, rate: Rate | None, position: int, early: int) -> None:
    """Of what comes before the first clock, quarter frames apart, each message waits until a DIN cable has carried the
    one before: 320 µs a byte (MIDI 1.0: 31,250 baud, ten bits a byte)."""
    score = Score(Wants(clock=True, time_code=rate))
    tempo = by_bars([BarChange(1, Fraction(120))])
    if runs:
        score.run(tempo, 0, 0, -S)
        stage = Stage(score)
        stage.until(20 * MS)
    score.run(tempo, S - position, position, S + early)
    for one, then in pairwise(due for due in islice(score.messages(), 60) if due.message[0] != 0xF1):
        if one.message[0] != 0xF8:
            assert then.at - one.at >= 320_000 * len(one.message)


def _frame(name: str, rate: Rate) -> int:
    word, _, text = name.partition(": ")
    assert word == rate.word
    return frame_of(TimeCode(*map(int, text.split(":"))), rate)
