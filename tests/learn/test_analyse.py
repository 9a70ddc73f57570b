"""Verdicts: right for any foot that moves often enough, and honest where it did not."""

from __future__ import annotations

import subprocess
import sys
from random import Random

import pytest
from feet import MS, Foot, with_clock
from hypothesis import example, given
from hypothesis import strategies as st

from stagectl.core.contacts import Switch
from stagectl.learn.analyse import analyse
from stagectl.learn.series import Packet, Sender
from stagectl.learn.verdict import Kind, Sure, Verdict
from stagectl.show.mapping import ControlModel

feet = st.builds(
    lambda seed, channel, bounces: Foot(Random(seed), channel, bounces),
    st.integers(0, 2**32),
    st.integers(1, 16),
    st.booleans(),
)
presses = st.integers(3, 8)
numbers = st.integers(64, 119)


def only(packets: list[Packet]) -> Verdict:
    learned = analyse(packets)
    assert len(learned.verdicts) == 1, learned
    return learned.verdicts[0]


# -- enough movements: the verdict is right ---------------------------------------------------------------


@given(feet, presses, numbers, st.booleans())
def test_a_momentary_switch(foot: Foot, presses: int, number: int, clock: bool) -> None:
    packets = foot.control(number, foot.momentary(presses))
    verdict = only(with_clock(packets) if clock else packets)
    assert verdict.sender == Sender("control change", foot.channel, number)
    assert (verdict.kind, verdict.sure, verdict.movements) == (Kind.MOMENTARY, Sure.SURE, presses)
    assert (verdict.closed, verdict.threshold, verdict.wanted) == (False, None, "")


@given(feet, presses, numbers)
def test_a_switch_that_rests_closed(foot: Foot, presses: int, number: int) -> None:
    verdict = only(foot.control(number, foot.momentary(presses, on=0, off=127)))
    assert (verdict.kind, verdict.sure, verdict.movements) == (Kind.MOMENTARY, Sure.SURE, presses)
    assert verdict.closed


@given(feet, presses, numbers)
def test_a_latching_switch(foot: Foot, presses: int, number: int) -> None:
    verdict = only(foot.control(number, foot.latching(presses)))
    assert (verdict.kind, verdict.movements) == (Kind.LATCHING, presses)
    # After an even number of presses, a foot that stays for a second each time would look the same.
    assert verdict.sure is (Sure.SURE if presses % 2 else Sure.FAIRLY)


@given(feet, presses, st.integers(0, 127), st.booleans())
def test_a_pad(foot: Foot, presses: int, number: int, offs: bool) -> None:
    moves = foot.pad(presses)
    verdict = only(foot.note(number, moves, offs=offs))
    assert (verdict.kind, verdict.sure, verdict.movements) == (Kind.MOMENTARY, Sure.SURE, presses)
    softest = min(value for _, value in moves if value)
    assert verdict.varies and verdict.softest == softest
    # As a controller the strength is a value, and softer presses than the softest one seen are to count as well.
    as_control = only(foot.control(80, moves))
    assert as_control.kind is Kind.MOMENTARY
    assert as_control.threshold is not None and 0 < as_control.threshold < softest


@given(feet, presses, st.integers(1, 127), st.integers(1, 127))
def test_the_threshold_parts_the_two_values_of_a_switch(foot: Foot, presses: int, low: int, by: int) -> None:
    low, high = sorted((low, (low + by) % 128))
    if high - low < 13:
        low, high = 0, 127
    verdict = only(foot.control(80, foot.momentary(presses, on=high, off=low)))
    assert verdict.kind is Kind.MOMENTARY
    assert low < (64 if verdict.threshold is None else verdict.threshold) <= high


@given(feet, presses, st.integers(0, 16_383), st.integers(0, 16_383))
@example(Foot(Random(0)), 3, 8_192, 16_383)
@example(Foot(Random(0)), 3, 8_192, 0)
def test_the_threshold_of_pitch_bend_parts_its_rest_from_its_end(foot: Foot, presses: int, rest: int, end: int) -> None:
    """What is written, or what counts where nothing is."""
    if abs(end - rest) < 1_700:
        rest, end = 8_192, 16_383
    verdict = only(foot.bend(foot.momentary(presses, on=end, off=rest)))
    assert verdict.kind is Kind.MOMENTARY
    lines = {"sends": "pitch bend", **({} if verdict.threshold is None else {"threshold": str(verdict.threshold)})}
    control = ControlModel.model_validate({**lines, "press": "next", "rests": "closed" if verdict.closed else "open"})
    switch = Switch(threshold=control.steps_of_threshold, rests_closed=verdict.closed)
    assert (switch.is_down(rest, 16_383), switch.is_down(end, 16_383)) == (False, True)


@given(feet, st.integers(2, 6), st.integers(0, 127), st.one_of(st.none(), st.integers(0, 16_383)))
def test_a_switch_that_sends_programs(foot: Foot, presses: int, number: int, bank: int | None) -> None:
    head, packets, at = foot.channel - 1, [], 0
    for _ in range(presses):
        if bank is not None:
            packets += [(at, bytes((0xB0 | head, 0, bank >> 7))), (at + MS, bytes((0xB0 | head, 32, bank & 127)))]
        packets.append((at + 2 * MS, bytes((0xC0 | head, number))))
        at += foot.pause()
    verdict = only(packets)
    assert verdict.sender == Sender("program", foot.channel, number, bank, top=1)
    assert (verdict.kind, verdict.sure, verdict.movements) == (Kind.PRESS_ONLY, Sure.SURE, presses)


@given(feet, st.integers(3, 7), st.integers(0, 20), st.integers(90, 127), st.integers(0, 2))
def test_a_treadle(foot: Foot, travels: int, low: int, high: int, jitter: int) -> None:
    verdict = only(foot.control(11, foot.treadle(travels, low, high, jitter)))
    assert (verdict.kind, verdict.sure, verdict.movements) == (Kind.CONTINUOUS, Sure.SURE, travels)
    assert (verdict.heel, verdict.toe, verdict.jitter) == (low, high, 2 * jitter)


@given(feet, st.integers(3, 7), st.sampled_from([0, 40, 200]))
def test_a_treadle_of_fourteen_bits(foot: Foot, travels: int, jitter: int) -> None:
    moves = foot.treadle(travels, 100, 16_300, jitter)
    pair, bend = only(foot.pair(4, moves)), only(foot.bend(moves))
    assert pair.sender == Sender("control change pair", foot.channel, 4, top=16_383)
    assert bend.sender == Sender("pitch bend", foot.channel, top=16_383)
    for verdict in (pair, bend):
        assert (verdict.kind, verdict.sure) == (Kind.CONTINUOUS, Sure.SURE)
        assert (verdict.heel, verdict.toe, verdict.jitter) == (100, 16_300, 2 * jitter)


@given(feet, presses)
def test_the_longest_train_of_edges_is_the_bounce(foot: Foot, presses: int) -> None:
    moves = foot.momentary(presses)
    trains: list[list[int]] = []
    for at, _ in moves:
        if trains and at - trains[-1][-1] < 20 * MS:
            trains[-1].append(at)
        else:
            trains.append([at])
    longest = max(trains, key=lambda train: train[-1] - train[0])
    verdict = only(foot.control(80, moves))
    assert (verdict.bounce_edges, verdict.bounce_ns) == (len(longest), longest[-1] - longest[0])


# -- too few movements: the verdict says so ---------------------------------------------------------------


@given(feet, numbers, st.booleans())
def test_one_change_can_be_any_switch(foot: Foot, number: int, closed: bool) -> None:
    on, off = (0, 127) if closed else (127, 0)
    verdict = only(foot.control(number, foot.latching(1, on, off)))
    assert (verdict.kind, verdict.sure) == (Kind.UNKNOWN, Sure.NOT) or verdict.bounce_edges > 1
    assert "press it twice more" in verdict.wanted


@given(feet, numbers)
def test_two_changes_far_apart_can_be_either(foot: Foot, number: int) -> None:
    verdict = only(foot.control(number, foot.latching(2)))
    assert (verdict.kind, verdict.sure) == (Kind.UNKNOWN, Sure.NOT)
    assert "momentary and latching" in verdict.why


@given(feet, numbers)
def test_one_press_of_a_momentary_switch_is_not_sure(foot: Foot, number: int) -> None:
    verdict = only(foot.control(number, foot.momentary(1)))
    assert (verdict.kind, verdict.sure) == (Kind.MOMENTARY, Sure.NOT)
    assert "press it twice more" in verdict.wanted


@given(feet)
def test_one_travel_is_not_sure(foot: Foot) -> None:
    verdict = only(foot.control(11, foot.treadle(1)))
    assert (verdict.kind, verdict.sure) == (Kind.CONTINUOUS, Sure.NOT)
    assert "rock it" in verdict.wanted


def test_one_program_change_is_not_sure() -> None:
    verdict = only([(0, b"\xc0\x05")])
    assert (verdict.kind, verdict.sure) == (Kind.PRESS_ONLY, Sure.NOT)


def test_the_same_value_again_and_again_is_never_up() -> None:
    verdict = only([(at * 1_000 * MS, b"\xb0\x50\x7f") for at in range(4)])
    assert (verdict.kind, verdict.sure) == (Kind.REPEATS, Sure.FAIRLY)


@given(feet, presses, st.integers(0, 127))
def test_a_pad_that_never_says_that_it_was_let_go(foot: Foot, presses: int, number: int) -> None:
    """Each note is a press, whatever its strength."""
    moves = [(at, value) for at, value in foot.pad(presses) if value]
    verdict = only(foot.note(number, moves))
    assert (verdict.kind, verdict.sure, verdict.movements) == (Kind.REPEATS, Sure.FAIRLY, presses)
    assert (verdict.varies, verdict.threshold, verdict.closed) == (True, None, False)
    early = only(foot.note(number, moves[:2]))
    assert (early.kind, early.sure, early.movements) == (Kind.UNKNOWN, Sure.NOT, 2)
    assert "press it twice more" in early.wanted


def test_down_and_up_at_once_is_a_press_without_a_length() -> None:
    packets = [(at * 1_000 * MS + wait, bytes((0xB0, 80, value))) for at in range(4) for wait, value in PULSE]
    verdict = only(packets)
    assert (verdict.kind, verdict.sure, verdict.movements) == (Kind.PULSE, Sure.SURE, 4)
    assert verdict.bounce_edges == 1


PULSE = ((0, 127), (2 * MS, 0))


def test_values_that_come_one_by_one_are_no_treadle_yet() -> None:
    packets = [(at * 1_000 * MS, bytes((0xB0, 80, value))) for at, value in enumerate((0, 42, 84, 127, 0))]
    verdict = only(packets)
    assert (verdict.kind, verdict.sure) == (Kind.UNKNOWN, Sure.NOT)


# -- what belongs together --------------------------------------------------------------------------------


@given(feet)
def test_two_switches_thirty_two_apart_are_no_pair(foot: Foot) -> None:
    packets = foot.control(16, foot.momentary(3)) + foot.control(48, foot.momentary(3))
    found = analyse(sorted(packets)).verdicts
    assert {(one.sender.number, one.kind) for one in found} == {(16, Kind.MOMENTARY), (48, Kind.MOMENTARY)}


def test_parameters_are_told_by_their_numbers() -> None:
    """NRPN 1288 (MIDI 1.0 Detailed Specification 4.2.1: 63 is its upper half, 62 its lower, 06 and 26 the value)."""
    values = [0, 4_000, 8_192, 12_000, 16_383, 12_000, 8_192, 4_000, 0, 8_192, 16_383]
    packets = []
    for at, value in enumerate(values):
        for wait, (number, half) in enumerate(((99, 10), (98, 8), (6, value >> 7), (38, value & 127))):
            packets.append((at * 50 * MS + wait * MS, bytes((0xB2, number, half))))
    verdict = only(packets)
    assert verdict.sender == Sender("nrpn", 3, 1_288, top=16_383)
    assert (verdict.kind, verdict.heel, verdict.toe) == (Kind.CONTINUOUS, 0, 16_383)


def senders(said: str) -> dict[Sender, int]:
    """Who spoke, and the presses of each, from messages a second apart; those with a `,` between come at once."""
    packets = [
        (at * 1_000 * MS + step * MS, bytes.fromhex(one))
        for at, press in enumerate(said.split(";"))
        for step, one in enumerate(press.split(","))
    ]
    return {one.sender: one.movements for one in analyse(packets).verdicts}


def program(number: int, bank: int | None = None) -> Sender:
    return Sender("program", 1, number, bank, top=1)


@pytest.mark.parametrize(
    ("said", "found"),
    [
        # One bank, said when the pedal was switched on, or in the middle: it tells no two programs apart.
        ("B0 00 01, C0 01; C0 01; C0 02", {program(1): 2, program(2): 1}),
        ("C0 01; C0 02; B0 20 03, C0 01; C0 01", {program(1): 3, program(2): 1}),
        # Said each time.
        ("B0 00 01, C0 01; B0 00 01, C0 02", {program(1, 128): 1, program(2, 128): 1}),
        # Two banks, said where they change.
        ("B0 00 00, C0 01; C0 02; B0 00 01, C0 01", {program(1, 0): 1, program(2, 0): 1, program(1, 128): 1}),
        # What came before any bank is of any, unless it could then be taken for another.
        ("C0 03; B0 00 00, C0 01; B0 00 01, C0 01", {program(3): 1, program(1, 0): 1, program(1, 128): 1}),
        ("C0 01; B0 00 00, C0 01; B0 00 01, C0 01", {program(1, 0): 1, program(1, 128): 1}),
    ],
)
def test_a_bank_is_asked_for_where_it_tells_programs_apart(said: str, found: dict[Sender, int]) -> None:
    assert senders(said) == found


def test_a_program_that_could_be_of_two_banks_is_left_out() -> None:
    packets = [(0, "C0 01"), (1_000, "B0 00 00"), (1_001, "C0 01"), (2_000, "B0 00 01"), (2_001, "C0 01")]
    learned = analyse([(at * MS, bytes.fromhex(one)) for at, one in packets])
    assert learned.odd == {"program before its bank": 1}


@given(feet)
def test_a_press_that_sends_two_messages(foot: Foot) -> None:
    moves = foot.momentary(3)
    packets = foot.control(80, moves) + [(at + MS, packet) for at, packet in foot.note(40, moves)]
    first, second = analyse(sorted(packets)).verdicts
    assert (first.beside, second.beside) == ((second.sender,), (first.sender,))


def test_messages_that_stand_for_a_press() -> None:
    said = [b"\xfa", b"\xfc", b"\xf3\x05", b"\xf0\x7d\x01\xf7"]
    packets = [(at * 1_000 * MS, packet) for at, packet in enumerate(said * 2)]
    learned = analyse(packets)
    assert [str(one.sender) for one in learned.verdicts] == [
        "realtime start",
        "realtime stop",
        "song select 5",
        "sysex F0 7D 01 F7",
    ]
    assert {one.kind for one in learned.verdicts} == {Kind.PRESS_ONLY}


def test_what_no_foot_sends_is_counted() -> None:
    learned = analyse([(at, bytes((status,))) for at, status in enumerate((0xF8, 0xF8, 0xFE, 0xFD))])
    assert learned.verdicts == ()
    assert learned.background == {"clock": 2, "active sensing": 1, "undefined real-time": 1}


@given(st.lists(st.tuples(st.integers(0, 10_000), st.binary(max_size=5)), max_size=40))
def test_no_bytes_raise_anything(said: list[tuple[int, bytes]]) -> None:
    packets = [(at * MS, packet) for at, packet in sorted(said)]
    learned = analyse(packets)
    assert learned.heard == len(packets)
    for verdict in learned.verdicts:
        assert verdict.why and (verdict.wanted or verdict.sure is not Sure.NOT)


@pytest.mark.parametrize("seed", range(5))
def test_a_normally_open_switch_that_was_held_when_listening_began(seed: int) -> None:
    foot = Foot(Random(seed))
    moves = foot.momentary(4)
    up = next(at for at, (_, value) in enumerate(moves) if moves[at][0] - moves[0][0] > 20 * MS and not value)
    verdict = only(foot.control(80, moves[up:]))
    assert (verdict.kind, verdict.closed, verdict.movements) == (Kind.MOMENTARY, False, 3)


def test_working_it_out_needs_no_library_that_does_anything() -> None:
    code = "import sys, stagectl.learn.analyse; print(*sys.modules)"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert {"mido", "rtmidi", "rich", "click", "pydantic", "sqlite3", "socket"} & set(run.stdout.split()) == set()


@pytest.mark.parametrize(
    ("values", "many"),
    [([64], 30_000), ([64, 65], 30_000), (list(range(128)), 100_000), ([60, 61, 62, 63, 64], 30_000)],
)
def test_a_long_time_of_one_treadle_is_looked_through_in_no_time(values: list[int], many: int) -> None:
    """No part of it takes time that grows with the square of the messages: that would be minutes here."""
    packets = [(0, b"\xb0\x0b\x00"), (MS, b"\xb0\x0b\x7f")]
    packets += [((at + 1) * 10 * MS, bytes((0xB0, 11, values[at % len(values)]))) for at in range(many)]
    assert analyse(packets).heard == len(packets)
    as_sysex = [(at, b"\xf0\x7d" + bytes(20) + packet[-1:] + b"\xf7") for at, packet in packets]
    assert analyse(as_sysex).heard == len(packets)
