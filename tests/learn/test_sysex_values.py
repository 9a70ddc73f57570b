"""SysEx messages: which say a value of one switch or treadle, and which are presses each."""

from __future__ import annotations

from random import Random

import pytest
from feet import MS, Foot
from hypothesis import given
from hypothesis import strategies as st

from stagectl.learn.analyse import analyse
from stagectl.learn.series import Packet, Sender
from stagectl.learn.verdict import Kind, Sure

feet = st.builds(
    lambda seed, bounces: Foot(Random(seed), bounces=bounces),
    st.integers(0, 2**32),
    st.booleans(),
)
presses = st.integers(3, 8)


def in_sysex(moves: list[tuple[int, int]], before: str = "7D 01", after: str = "") -> list[Packet]:
    """The moves as SysEx, with these bytes before and after the value."""
    return [(at, bytes.fromhex(f"F0 {before} {value:02X} {after} F7")) for at, value in moves]


@given(feet, presses, st.sampled_from([(127, 0), (1, 0), (0, 127), (64, 1)]), st.sampled_from(["", "05"]))
def test_a_switch_that_says_down_and_up_in_sysex(foot: Foot, presses: int, values: tuple[int, int], after: str) -> None:
    packets = in_sysex(foot.momentary(presses, *values), "7D 01", after)
    (verdict,) = analyse(packets).verdicts
    assert verdict.sender == Sender("sysex", text=f"F0 7D 01 {{value}} {after} F7".replace("  ", " "))
    assert (verdict.kind, verdict.sure, verdict.movements) == (Kind.MOMENTARY, Sure.SURE, presses)
    assert verdict.closed is (values == (0, 127))


@given(feet, st.integers(3, 7), st.integers(0, 20), st.integers(90, 127), st.integers(0, 2))
def test_a_treadle_over_sysex(foot: Foot, travels: int, low: int, high: int, jitter: int) -> None:
    (verdict,) = analyse(in_sysex(foot.treadle(travels, low, high, jitter))).verdicts
    assert verdict.sender == Sender("sysex", text="F0 7D 01 {value} F7")
    assert (verdict.kind, verdict.sure, verdict.movements) == (Kind.CONTINUOUS, Sure.SURE, travels)
    assert (verdict.heel, verdict.toe) == (low, high)


@given(feet, st.booleans())
def test_a_board_that_says_everything_in_sysex(foot: Foot, rounds: bool) -> None:
    """Switches and treadles of one board are told apart by their numbers, however they are pressed."""
    moves = {f"7D {number:02X}": foot.momentary(3) for number in (1, 2, 3)}
    moves |= {f"7D {number:02X}": foot.treadle(4) for number in (4, 5)}
    later = 0
    packets = []
    for at, (before, one) in enumerate(moves.items()):
        # In rounds, the next switch is pressed while the one before rests.
        packets += in_sysex([(later + when, value) for when, value in one], before)
        later = 0 if rounds and at < 2 else packets[-1][0] + 1_000 * MS
    learned = analyse(sorted(packets))
    assert {(one.sender.text, one.kind) for one in learned.verdicts if "{value}" in one.sender.text} == {
        (f"F0 {before} {{value}} F7", Kind.MOMENTARY if len(one) < 40 else Kind.CONTINUOUS)
        for before, one in moves.items()
    }
    assert len(learned.verdicts) == 5


@pytest.mark.parametrize(
    "said",
    [
        # Switches that each send a message of their own: three times each, or once.
        "01 01 01 02 02 02",
        "01 01 01 7F 7F 7F",
        "01 02 03 04 05 06 07 08",
        "10 20 30 40 50 60 10 20 30 40 50 60",
        # Neighbours are no two ends of a switch: commands, as start and stop of a machine are.
        "02 01 02 01 02 01",
        # Too few to tell.
        "7F 00",
        "00 2A 54 7F",
    ],
)
def test_sysex_messages_that_are_presses_each(said: str) -> None:
    values = bytes.fromhex(said)
    learned = analyse(in_sysex([(at * 1_000 * MS, value) for at, value in enumerate(values)]))
    assert {one.kind for one in learned.verdicts} == {Kind.PRESS_ONLY}
    assert {one.sender.text for one in learned.verdicts} == {f"F0 7D 01 {value:02X} F7" for value in values}


@given(feet)
def test_a_value_with_a_checksum_is_none(foot: Foot) -> None:
    packets = [(at, bytes((0xF0, 0x7D, 1, value, 127 - value, 0xF7))) for at, value in foot.momentary(3)]
    assert {one.kind for one in analyse(packets).verdicts} == {Kind.PRESS_ONLY}


@pytest.mark.parametrize(("length", "places"), [(8, 5), (31, 1)])
def test_a_dump_says_no_value(length: int, places: int) -> None:
    """What is long, or differs in one byte here and there, is no foot's."""
    data, packets = bytearray(length), []
    for at in range(60):
        data[1 + at % places] = at
        packets.append((at * 10 * MS, b"\xf0" + bytes(data) + b"\xf7"))
    assert {one.kind for one in analyse(packets).verdicts} == {Kind.PRESS_ONLY}
