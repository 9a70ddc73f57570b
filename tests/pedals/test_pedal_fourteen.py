"""Values of 14 bits: when they count, and what selects a parameter. Source: MIDI 1.0 Detailed Specification 4.2.1."""

from __future__ import annotations

from itertools import pairwise

import pytest
from ears import heard, midi_ear, moves
from hypothesis import given
from hypothesis import strategies as st

from stagectl.pedals.hear import MidiEar
from stagectl.pedals.midi import NO_PARAMETER, NO_VALUE
from stagectl.pedals.parameters import NO_MSB
from stagectl.show.hearing import FINE_TOP


def values(ear: MidiEar, text: str) -> list[int]:
    return [value for _, value in heard(ear, text)]


def test_an_msb_resets_the_lsb_and_counts_alone_from_a_coarse_sender() -> None:
    ear = midi_ear({"control change pair": 11})
    assert values(ear, "B0 0B 10 0B 11") == [0x10 << 7, 0x11 << 7]
    assert not ear.waiting


def test_an_lsb_before_any_msb_is_half_a_value() -> None:
    ear = midi_ear({"control change pair": 11})
    assert values(ear, "B0 2B 7F") == []
    assert ear.counted == {NO_MSB: 1}


@pytest.mark.parametrize("after", ["B0 50 7F", "90 3C 40", "B0 0B 20", "F0 7D F7", "B1 2B 05", "C0 01"])
def test_an_msb_whose_lsb_does_not_come_counts_when_something_else_does(after: str) -> None:
    ear = midi_ear({"control change pair": 11, "channel": 1})
    heard(ear, "B0 0B 10 2B 05")
    assert values(ear, "B0 0B 11") == []
    assert ear.waiting
    assert values(ear, after)[0] == 0x11 << 7


def test_an_msb_whose_lsb_does_not_come_counts_when_the_wire_is_quiet() -> None:
    ear = midi_ear({"control change pair": 11})
    heard(ear, "B0 0B 10 2B 05 0B 00")
    assert ear.waiting
    assert moves(ear.settle()) == [(0, 0)]
    assert not ear.waiting
    assert ear.settle() == []


def test_clock_between_the_halves_makes_no_difference() -> None:
    ear = midi_ear({"control change pair": 11})
    heard(ear, "B0 0B 10 2B 05")
    assert values(ear, "B0 0B F8 11 FE 2B FA 06") == [(0x11 << 7) + 6]


@given(st.lists(st.integers(0, 16383), min_size=2, max_size=40), st.booleans())
def test_a_change_is_one_event_and_never_dips(travel: list[int], running: bool) -> None:
    ear = midi_ear({"control change pair": 11})
    # The first pair tells that the sender sends pairs.
    heard(ear, "B0 0B 00 2B 00")
    for value in travel:
        status = "" if running else "B0"
        assert values(ear, f"{status} 0B {value >> 7:02X} {status} 2B {value & 127:02X}") == [value]


@given(st.lists(st.integers(0, 16383), min_size=2, max_size=40))
def test_a_sender_that_leaves_out_what_it_may_is_followed(travel: list[int]) -> None:
    """The LSB alone for a fine change, the MSB alone where the LSB is 0: no event lies outside the way."""
    ear = midi_ear({"control change pair": 11})
    heard(ear, "B0 0B 00 2B 00")
    for before, after in pairwise([0, *travel]):
        told = []
        if after >> 7 != before >> 7 or after & 127 == 0:
            told += values(ear, f"B0 0B {after >> 7:02X}")
        if after & 127:
            told += values(ear, f"B0 2B {after & 127:02X}")
        told += [value for _, value in moves(ear.settle())]
        assert told == [after]


@pytest.mark.parametrize(("text", "down"), [("B0 0B 3F 2B 7F", False), ("B0 0B 40 2B 00", True), ("B0 0B 40", True)])
def test_the_msb_alone_says_whether_a_switch_is_down(text: str, down: bool) -> None:
    """0-63 off, 64-127 on; a pair's middle lies between 63/127 and 64/0."""
    ear = midi_ear({"control change pair": 11})
    assert (values(ear, text)[-1] * 2 > FINE_TOP) is down


# -- parameters --


def test_nrpn_is_selected_in_either_order() -> None:
    for text in ("B0 63 0A 62 08 06 40", "B0 62 08 63 0A 06 40"):
        assert values(midi_ear({"nrpn": 1288}), text) == [8192]


@pytest.mark.parametrize(
    "text",
    [
        # Null: data entry is then ignored.
        "B0 63 0A 62 08 65 7F 64 7F 06 40",
        "B0 63 0A 62 08 63 7F 62 7F 06 40",
        # No selection, half a selection, one of the other kind, on another channel.
        "B0 06 40",
        "B0 62 08 06 40",
        "B0 63 0A 06 40",
        "B0 65 0A 64 08 06 40",
        "B1 63 0A 62 08 B0 06 40",
        # Half of a new number with half of the old one is no number.
        "B0 63 0B 62 08 06 40 63 0A 06 40",
        "B0 63 0B 62 08 63 0A 06 40",
        # Data entry's LSB with no MSB before it.
        "B0 63 0A 62 08 26 40",
    ],
)
def test_data_entry_for_nothing_moves_nothing(text: str) -> None:
    assert values(midi_ear({"nrpn": 1288}), text) == []


def test_what_was_not_for_anything_is_counted() -> None:
    ear = midi_ear({"nrpn": 1288})
    heard(ear, "B0 06 40 63 0A 62 08 26 01 60 00")
    assert ear.counted == {NO_PARAMETER: 1, NO_MSB: 1, NO_VALUE: 1}


def test_half_a_number_left_by_garbage_spoils_no_later_one() -> None:
    assert values(midi_ear({"nrpn": 1288}), "B0 62 55 06 01 63 0A 62 08 06 40") == [8192]


def test_a_selection_lasts() -> None:
    ear = midi_ear({"nrpn": 1288})
    assert values(ear, "B0 63 0A 62 08 06 40 06 41 06 42") == [8192, 8320, 8448]


def test_increment_and_decrement_stop_at_the_ends() -> None:
    ear = midi_ear({"rpn": 0})
    # A sender of MSBs counts in MSBs.
    assert values(ear, "B0 65 00 64 00 06 02 60 00 61 00 61 7F") == [256, 384, 256, 128]
    # One that sends LSBs counts in them.
    assert values(ear, "B0 06 7F 26 7E 60 00 60 00 60 00") == [0x3F80, 0x3FFE, 0x3FFF]
    assert values(ear, "B0 06 00 26 01 61 00 61 00") == [1, 0]


def test_two_parameters_keep_their_values_apart() -> None:
    ear = midi_ear({"nrpn": 1}, {"rpn": 1})
    both = "B0 63 00 62 01 06 10 26 01 65 00 64 01 06 20 26 02"
    assert heard(ear, both) == [(0, 2048), (0, 2049), (1, 4096), (1, 4098)]
    assert heard(ear, "B0 63 00 62 01 26 05") == [(0, 2053)]


def test_a_reset_forgets_selections_banks_and_halves() -> None:
    for sends, before, after in (
        ({"nrpn": 1288}, "B0 63 0A 62 08 06 40 26 01", "B0 06 40"),
        ({"control change pair": 11}, "B0 0B 10 2B 05 0B 20", "B0 2B 01"),
        ({"program": 5, "bank": 128}, "B0 00 01", "C0 05"),
        ({"note": 60}, "90 3C", "40"),
        ({"note": 60}, "90", "3C 40"),
        ({"sysex": "F0 7D 01 F7"}, "F0 7D", "01 F7"),
    ):
        ear = midi_ear(sends)
        heard(ear, before)
        ear.reset()
        assert not ear.waiting
        assert heard(ear, after) == []
