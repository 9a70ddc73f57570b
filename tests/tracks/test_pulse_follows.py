"""A naive receiver that counts clocks is always where the track is: whatever runs, moves a little, jumps, stands still,
and however late messages leave."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise
from random import Random

import pytest
from depth import examples
from hypothesis import example, given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule
from pulse_receiver import MS, ClockReceiver, CodeReceiver, S, Stage
from test_pulse_clock import maps

from stagectl.core.tempo import BarChange, TempoMap, by_bars
from stagectl.tracks.pulse.clock import CLOCK, JUMP_NS, OPENING_NS, START
from stagectl.tracks.pulse.score import Score, Wants
from stagectl.wire.time_code import RATES, SONG_POSITION_MAX, Rate, TimeCode, frame_begins, frame_of, named_at

CALM_NS = 2 * S
"""After so long without anything, all that was off is made good but for a little."""


class Follows(RuleBasedStateMachine):
    """A stage with one track, an output, and its receivers."""

    @initialize(rate=st.sampled_from((None, *RATES.values())), start=st.integers(0, 10**15))
    def begin(self, rate: Rate | None, start: int) -> None:
        """The output."""
        self.rate, self.runs = rate, False
        self.clock, self.code = ClockReceiver(), CodeReceiver()
        self.stage = Stage(Score(Wants(True, rate)), self.clock.hear, self.code.hear)
        self.stage.now = start
        self.tempo: TempoMap | None = None
        self.zero = self.code_at = 0
        self.busy_until = 0

    @rule(
        tempo=st.one_of(st.none(), maps()),
        position=st.integers(-5 * S, 300 * S),
        soon=st.integers(-S, S),
        code_at=st.sampled_from((0, 3_600 * S)),
    )
    def run_it(self, tempo: TempoMap | None, position: int, soon: int, code_at: int) -> None:
        """A track runs; that is told before or after."""
        self.tempo, self.zero, self.code_at = tempo, self.stage.now + soon - position, code_at
        self.stage.score.run(tempo, self.zero, position, self.stage.now, code_at)
        self.runs = True
        self.clock.at.clear()
        self.busy()

    @rule(by=st.integers(-MS, MS))
    def moves_a_little(self, by: int) -> None:
        """A report of the sound card."""
        self.moved(by)

    @rule(by=st.integers(-JUMP_NS, JUMP_NS))
    def moves(self, by: int) -> None:
        """The track slips."""
        self.moved(by)

    @rule(by=st.integers(-300 * S, 300 * S))
    def jumps(self, by: int) -> None:
        """The track is taken elsewhere."""
        self.moved(by)

    def moved(self, by: int) -> None:
        self.zero += by
        self.stage.score.moved(self.zero, self.stage.now)
        if by:
            self.busy()

    @rule()
    def halts(self) -> None:
        """The track stands still."""
        self.stage.score.halt(self.stage.now)
        self.stage.until(self.stage.now + 10 * MS)
        self.tempo, self.runs = None, False
        assert not self.clock.running
        assert self.stage.score.due is None

    @rule(length=st.integers(0, S))
    def time_passes(self, length: int) -> None:
        """Every message leaves in time."""
        self.stage.until(self.stage.now + length)

    @rule(length=st.integers(0, S), dice=st.randoms(use_true_random=False))
    def time_passes_on_a_busy_machine(self, length: int, dice: Random) -> None:
        """Every message is late."""
        self.stage.until(self.stage.now + length, lambda: dice.randrange(5 * MS))
        self.busy()

    @rule(stall=st.integers(0, 5 * S))
    def stalls(self, stall: int) -> None:
        """One message is late by much."""
        lates = iter((stall,))
        self.stage.until(self.stage.now + S, lambda: next(lates, 0))
        self.busy()

    @rule()
    def all_is_calm(self) -> None:
        """Nothing happens for a while: then all that should come comes, and where it should."""
        self.stage.until(self.busy_until + CALM_NS)
        before = self.stage.now
        self.stage.until(before + S)
        came = [(clock, at) for clock, at in self.clock.at if at > before and self.clock.running]
        if self.tempo is not None and -S < before - self.zero < self.tempo.at_clock(6 * SONG_POSITION_MAX):
            since, until = self.tempo.clock_from(before - self.zero + MS), self.tempo.clock_from(self.now_at - MS)
            assert set(range(max(0, since), until)) <= {clock for clock, _ in came}
        for clock, at in came:
            assert self.tempo is not None
            assert abs(at - self.zero - self.tempo.at_clock(clock)) < MS
        if self.rate is not None and self.runs:
            names = [(at, name) for at, name in self.code.names if at > before]
            assert len(names) >= min(1.0, self.now_at / S) * self.rate.names / 2 - 2
            begins = named_at(self.code_at, self.rate)
            for at, name in names:
                frame = frame_of(TimeCode(*map(int, name.partition(": ")[2].split(":"))), self.rate)
                assert abs(at - self.zero + begins - frame_begins(frame, self.rate)) < MS

    @property
    def now_at(self) -> int:
        """Where the track is."""
        return self.stage.now - self.zero

    def busy(self) -> None:
        """Something happened now."""
        self.busy_until = self.stage.now

    @invariant()
    def the_receiver_is_at_the_right_sixteenth(self) -> None:
        """To the clock, whenever it runs: what was off at most, and is being made good."""
        if getattr(self, "tempo", None) is None or not self.clock.running or not self.clock.at:
            return
        assert self.tempo is not None
        for (clock, at), (then, later) in pairwise(self.clock.at):
            assert then == clock + 1
            step = self.tempo.at_clock(then) - self.tempo.at_clock(clock)
            assert later - at >= step // 2


Follows.TestCase.settings = settings(max_examples=examples(30), stateful_step_count=20, deadline=None)
TestFollows = Follows.TestCase


@given(
    st.integers(-JUMP_NS, JUMP_NS), st.fractions(Fraction(10), Fraction(300), max_denominator=100), st.integers(0, S)
)
@example(JUMP_NS, Fraction(120), 0)
@example(-JUMP_NS, Fraction(120), 0)
def test_a_small_move_is_made_good_by_clocks(by: int, tempo: Fraction, when: int) -> None:
    """Nobody is stopped, no clock is lost or doubled, and no step is changed by more than half."""
    song = by_bars([BarChange(1, tempo)])
    receiver = ClockReceiver()
    stage = Stage(Score(Wants(clock=True)), receiver.hear)
    stage.now = -S
    stage.score.run(song, 0, -S, -S)
    stage.until(S + when)
    stage.score.moved(by, stage.now)
    stage.until(6 * S)
    assert [due.message for due in stage.sent if due.message != CLOCK] == [START]
    assert [clock for clock, _ in receiver.at] == list(range(len(receiver.at)))
    step = song.at_clock(2400) / 2400
    assert all(step / 2 - 2 <= then - now <= 3 * step / 2 + 2 for now, then in pairwise(at for _, at in receiver.at))
    clock, at = receiver.at[-1]
    assert abs(at - by - song.at_clock(clock)) < MS / 5


@given(st.integers(JUMP_NS + 1, 10**12) | st.integers(-(10**12), -JUMP_NS - 1))
def test_a_jump_is_told(by: int) -> None:
    """Stop, where it is now, and on from there."""
    song = by_bars([BarChange(1, Fraction(120))])
    receiver = ClockReceiver()
    stage = Stage(Score(Wants(clock=True)), receiver.hear)
    stage.now = -S
    stage.score.run(song, 0, -S, -S)
    stage.until(5 * S)
    del stage.sent[:]
    stage.score.moved(by, stage.now)
    stage.until(stage.now + max(2 * S, by - 4 * S))
    told = [due.message[0] for due in stage.sent if due.message != CLOCK]
    unit = -(-song.clock_from(5 * S - by) // 6)
    assert told == ([0xFC] if unit > SONG_POSITION_MAX else [0xFC, 0xF2, 0xFB] if unit > 0 else [0xFC, 0xFA])
    assert all(0 <= at - by - song.at_clock(clock) <= OPENING_NS for clock, at in receiver.at)


@pytest.mark.parametrize("by", [-JUMP_NS, JUMP_NS])
def test_small_moves_that_come_to_a_jump_are_told(by: int) -> None:
    song = by_bars([BarChange(1, Fraction(120))])
    stage = Stage(Score(Wants(clock=True)))
    stage.now = -S
    stage.score.run(song, 0, -S, -S)
    for moves in range(3):
        stage.until(5 * S + moves)
        stage.score.moved(moves * by, stage.now)
    stage.until(7 * S)
    assert [due.message[0] for due in stage.sent if due.message != CLOCK] == [0xFA, 0xFC, 0xF2, 0xFB]


@pytest.mark.parametrize("stall", [JUMP_NS - 20 * MS, JUMP_NS + 20 * MS, 5 * S])
@pytest.mark.parametrize("until", [-S, 5 * S], ids=["before it began", "while it runs"])
def test_a_stall_is_made_good_or_told(stall: int, until: int) -> None:
    """No clock is left out, and none comes in a burst; what is too far off is told as a jump."""
    song = by_bars([BarChange(1, Fraction(120))])
    receiver = ClockReceiver()
    stage = Stage(Score(Wants(clock=True)), receiver.hear)
    stage.now = -S
    stage.score.run(song, 0, -S, -S)
    stage.until(until)
    lates = iter((stall,))
    stage.until(12 * S, lambda: next(lates, 0))
    told = [due.message[0] for due in stage.sent if due.message != CLOCK]
    anew = [0xFC, 0xF2, 0xFB]
    if until < 0:
        # Bar 1 is past: Start never left.
        assert told == ([0xFA] if stall < JUMP_NS else anew)
    else:
        assert told == [0xFA, *(anew if stall > JUMP_NS else [])]
    assert all(then - now >= S // 96 for now, then in pairwise(at for _, at in receiver.at))
    assert receiver.at[-1][1] == song.at_clock(receiver.at[-1][0])


@pytest.mark.parametrize("ppm", [-200, 0, 200])
def test_reports_that_are_a_millisecond_wrong_are_not_heard_as_jitter(ppm: int) -> None:
    """A sound card that runs 200 parts per million off, reported five times a second and up to 1 ms wrong: nothing is
    lost or doubled, and a clock is where the card truly is to half a millisecond."""
    dice = Random(7)
    tempo = by_bars([BarChange(1, Fraction(120))])
    receiver = ClockReceiver()
    stage = Stage(Score(Wants(clock=True)), receiver.hear)
    stage.now = -S
    stage.score.run(tempo, 0, -S, -S)
    for report in range(200):
        now = report * S // 5
        stage.until(now)
        stage.score.moved(now * ppm // 10**6 + dice.randint(-MS, MS), now)
    assert [clock for clock, _ in receiver.at] == list(range(len(receiver.at)))
    off = [at - tempo.at_clock(clock) - at * ppm // 10**6 for clock, at in receiver.at]
    assert max(map(abs, off)) < MS
    apart = [then - now - S // 48 for now, then in pairwise(at for _, at in receiver.at)]
    assert max(map(abs, apart)) < MS // 10
