"""MIDI messages against the worked examples of the MIDI 1.0 Detailed Specification 4.2.1, and against mido."""

from __future__ import annotations

from collections.abc import Callable, Iterable

import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stagectl.errors import WireError
from stagectl.wire import midi

CHANNELS = st.integers(1, 16)
SEVEN = st.integers(0, 127)
FOURTEEN = st.integers(0, 0x3FFF)


def _joined(packets: Iterable[bytes]) -> str:
    return midi.hex_text(b"".join(packets))


def test_a_byte_on_a_din_link_takes_320_us() -> None:
    # MIDI 1.0 Detailed Specification 4.2.1, hardware: 31,250 baud, 10 bits a byte.
    assert midi.BAUD == 31_250
    assert midi.BYTE_NS == 320_000
    assert len(midi.control_change(1, 7, 100)) * midi.BYTE_NS == 960_000


# MIDI 1.0 Detailed Specification 4.2.1: status bytes 8n to Cn, system common and system real-time messages.
@pytest.mark.parametrize(
    ("packet", "written"),
    [
        # Running status, the example's three notes on, here each with its status byte.
        (midi.note_on(1, 60, 39), "90 3C 27"),
        (midi.note_on(1, 64, 43), "90 40 2B"),
        (midi.note_on(1, 67, 37), "90 43 25"),
        (midi.note_on(1, 60, 0), "90 3C 00"),
        # A release velocity of 64 stands for a keyboard that does not measure it.
        (midi.note_off(1, 60), "80 3C 40"),
        (midi.note_off(16, 127), "8F 7F 40"),
        # Controller 7 is the volume, 64 the sustain pedal (64 and more is on).
        (midi.control_change(1, 7, 100), "B0 07 64"),
        (midi.control_change(16, 64, 127), "BF 40 7F"),
        (midi.song_select(0), "F3 00"),
        (midi.song_select(127), "F3 7F"),
        (midi.realtime("start"), "FA"),
        (midi.realtime("continue"), "FB"),
        (midi.realtime("stop"), "FC"),
    ],
)
def test_messages_as_the_specification_writes_them(packet: bytes, written: str) -> None:
    assert midi.hex_text(packet) == written


# MIDI 1.0 Detailed Specification 4.2.1, bank select: 00/00 is bank 1, 00/7F bank 128, 01/00 bank 129, 7F/7F 16,384.
@pytest.mark.parametrize(
    ("bank", "msb", "lsb"), [(1, "00", "00"), (128, "00", "7F"), (129, "01", "00"), (16_384, "7F", "7F")]
)
def test_banks_are_counted_from_one(bank: int, msb: str, lsb: str) -> None:
    assert _joined(midi.program_change(3, 5, bank - 1)) == f"B2 00 {msb} B2 20 {lsb} C2 05"


def test_a_program_without_a_bank_is_one_message() -> None:
    assert midi.program_change(16, 127) == (bytes((0xCF, 0x7F)),)


def test_nrpn() -> None:
    # Arithmetic from the specification's order 99, 98, 6, 38: parameter 1288 is 0A 08, value 8192 is 40 00.
    assert _joined(midi.nrpn(1, 1288, 8192)) == "B0 63 0A B0 62 08 B0 06 40 B0 26 00"


def test_a_controller_pair_sends_its_msb_first() -> None:
    # MIDI 1.0 Detailed Specification 4.2.1: the MSB goes first, because a received MSB resets the LSB to 0.
    assert _joined(midi.control_change_14(2, 7, 8193)) == "B1 07 40 B1 27 01"
    assert _joined(midi.control_change_14(1, 31, 0x3FFF)) == "B0 1F 7F B0 3F 7F"


@pytest.mark.parametrize(("value", "parts"), [(0, (0, 0)), (127, (0, 127)), (128, (1, 0)), (16_383, (127, 127))])
def test_split14(value: int, parts: tuple[int, int]) -> None:
    assert midi.split14(value) == parts


@given(FOURTEEN)
def test_a_split_value_can_be_put_together(value: int) -> None:
    msb, lsb = midi.split14(value)
    assert msb * 128 + lsb == value
    assert max(msb, lsb) <= 127


# Universal messages of the MIDI 1.0 Detailed Specification 4.2.1, of MMC (RP-013) and of MSC (RP-002); 7D is the
# manufacturer id for non-commercial use.
@pytest.mark.parametrize(
    "written",
    [
        "F0 7E 7F 06 01 F7",
        "F0 7F 7F 04 01 00 40 F7",
        "F0 7F 7F 06 01 F7",
        "F0 7F 7F 06 44 06 01 61 25 34 10 00 F7",
        "F0 7F 01 02 10 01 32 33 35 2E 36 00 33 36 2E 36 00 35 39 F7",
        "F0 7D 00 F7",
    ],
)
def test_sysex_passes_unchanged(written: str) -> None:
    packet = bytes.fromhex(written)
    assert midi.sysex(packet) == packet
    assert mido.Message.from_bytes(packet).bytes() == list(packet)


@pytest.mark.parametrize("written", ["", "F0", "F0 F7", "7D 00 F7", "F0 7D 00", "F0 7D 80 F7", "F0 7D F8 F7"])
def test_what_is_no_sysex_is_refused(written: str) -> None:
    with pytest.raises(WireError, match=r"SysEx|00 to 7F"):
        midi.sysex(bytes.fromhex(written))


def test_the_longest_sysex() -> None:
    def of(length: int) -> bytes:
        return bytes((0xF0, *([0x7D] * (length - 2)), 0xF7))

    assert len(midi.sysex(of(midi.SYSEX_MAX))) == midi.SYSEX_MAX
    for length in (midi.SYSEX_MAX + 1, midi.SYSEX_MAX * 100):
        with pytest.raises(WireError, match="longer than"):
            midi.sysex(of(length))


@pytest.mark.parametrize(
    ("said", "names"),
    [
        (lambda: midi.note_on(0, 60, 1), "channel 0"),
        (lambda: midi.note_off(17, 60), "channel 17"),
        (lambda: midi.note_on(1, 128, 1), "note 128"),
        (lambda: midi.note_on(1, 60, -1), "velocity -1"),
        (lambda: midi.control_change(1, 128, 0), "controller 128"),
        (lambda: midi.control_change(1, 0, 128), "value 128"),
        (lambda: midi.control_change_14(1, 32, 0), "controller 32"),
        (lambda: midi.control_change_14(1, 0, 16_384), "value 16384"),
        (lambda: midi.nrpn(1, 16_384, 0), "parameter 16384"),
        (lambda: midi.nrpn(1, 0, -1), "value -1"),
        (lambda: midi.program_change(1, 128), "program 128"),
        (lambda: midi.program_change(1, 0, 16_384), "bank 16384"),
        (lambda: midi.song_select(128), "song 128"),
    ],
)
def test_a_number_out_of_its_range_is_named(said: Callable[[], object], names: str) -> None:
    with pytest.raises(WireError, match=names):
        said()


@given(CHANNELS, SEVEN, SEVEN)
def test_mido_reads_the_same_channel_messages(channel: int, number: int, value: int) -> None:
    on = mido.Message.from_bytes(midi.note_on(channel, number, value))
    assert (on.type, on.channel, on.note, on.velocity) == ("note_on", channel - 1, number, value)
    off = mido.Message.from_bytes(midi.note_off(channel, number))
    assert (off.type, off.channel, off.note, off.velocity) == ("note_off", channel - 1, number, 64)
    control = mido.Message.from_bytes(midi.control_change(channel, number, value))
    assert (control.type, control.channel, control.control, control.value) == (
        "control_change",
        channel - 1,
        number,
        value,
    )
    (packet,) = midi.program_change(channel, number)
    program = mido.Message.from_bytes(packet)
    assert (program.type, program.channel, program.program) == ("program_change", channel - 1, number)
    song = mido.Message.from_bytes(midi.song_select(number))
    assert (song.type, song.song) == ("song_select", number)


@given(CHANNELS, FOURTEEN, FOURTEEN, st.integers(0, 31))
def test_mido_reads_the_same_controllers(channel: int, number: int, value: int, pair: int) -> None:
    def controllers(packets: Iterable[bytes]) -> list[tuple[int, int]]:
        messages = mido.parse_all(b"".join(packets))
        assert {message.channel for message in messages if message.type == "control_change"} <= {channel - 1}
        return [(message.control, message.value) for message in messages if message.type == "control_change"]

    assert controllers(midi.nrpn(channel, number, value)) == [
        (99, number // 128),
        (98, number % 128),
        (6, value // 128),
        (38, value % 128),
    ]
    assert controllers(midi.control_change_14(channel, pair, value)) == [(pair, value // 128), (pair + 32, value % 128)]
    assert controllers(midi.program_change(channel, 5, number)) == [(0, number // 128), (32, number % 128)]


@pytest.mark.parametrize("word", ["start", "continue", "stop"])
def test_mido_reads_the_same_real_time_messages(word: str) -> None:
    assert mido.Message.from_bytes(midi.realtime(word)).type == word
