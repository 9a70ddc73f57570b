"""MIDI 1.0 messages as bytes.

Source: MIDI 1.0 Detailed Specification 4.2.1. Channels are 1 to 16, as players count them; all other numbers
are as on the wire. A function that needs several messages gives them in the order in which they go.
"""

from __future__ import annotations

from typing import Final

from stagectl.errors import WireError

BAUD: Final = 31_250
BYTE_NS: Final = 10 * 1_000_000_000 // BAUD
"""One byte on a DIN link: start bit, eight bits, stop bit: 320 µs."""

NOTE_OFF: Final = 0x80
NOTE_ON: Final = 0x90
KEY_PRESSURE: Final = 0xA0
CONTROL: Final = 0xB0
PROGRAM: Final = 0xC0
CHANNEL_PRESSURE: Final = 0xD0
PITCH_BEND: Final = 0xE0
SONG_SELECT: Final = 0xF3

BEND_HIGH: Final = 12_288
BEND_LOW: Final = 4_096
"""Pitch bend half way from its centre, 8,192, to the top and to 0. A control with a spring rests at the centre, so a
switch that rests there is told by these: one that rests open by the first, one that rests closed by the other."""

BANK_MSB: Final = 0
BANK_LSB: Final = 32
DATA_MSB: Final = 6
DATA_LSB: Final = 38
INCREMENT: Final = 96
DECREMENT: Final = 97
NRPN_LSB: Final = 98
NRPN_MSB: Final = 99
RPN_LSB: Final = 100
RPN_MSB: Final = 101
NULL_PARAMETER: Final = 0x3FFF
"""7F/7F, the number of no parameter."""
SELECT_PARAMETERS: Final = frozenset((NRPN_LSB, NRPN_MSB, RPN_LSB, RPN_MSB))
DATA_ENTRY: Final = frozenset((DATA_MSB, DATA_LSB))
BANK_SELECT: Final = frozenset((BANK_MSB, BANK_LSB))
CHANNEL_MODE: Final = 120
"""From here on controllers are channel mode messages (all sound off, reset all controllers and so on)."""

REALTIME: Final = {"start": 0xFA, "continue": 0xFB, "stop": 0xFC}
"""System real-time messages that a player understands."""

SYSEX: Final = 0xF0
SYSEX_END: Final = 0xF7
SYSEX_MAX: Final = 256
"""The longest SysEx message that a file may hold, bytes."""


def _seven(value: int, what: str) -> int:
    if not 0 <= value <= 127:
        raise WireError(f"{what} {value} is outside 0 to 127")
    return value


def _status(kind: int, channel: int) -> int:
    if not 1 <= channel <= 16:
        raise WireError(f"channel {channel} is outside 1 to 16")
    return kind | (channel - 1)


def split14(value: int, what: str = "value") -> tuple[int, int]:
    """The most and the least significant seven bits of a 14-bit value (0 to 16,383)."""
    if not 0 <= value <= 0x3FFF:
        raise WireError(f"{what} {value} is outside 0 to 16383")
    return value >> 7, value & 0x7F


def note_on(channel: int, note: int, velocity: int) -> bytes:
    """Note on; velocity 0 means note off."""
    return bytes((_status(NOTE_ON, channel), _seven(note, "note"), _seven(velocity, "velocity")))


def note_off(channel: int, note: int) -> bytes:
    """Note off with the release velocity 64 that stands for `not measured`."""
    return bytes((_status(NOTE_OFF, channel), _seven(note, "note"), 64))


def control_change(channel: int, control: int, value: int) -> bytes:
    """A controller's value."""
    return bytes((_status(CONTROL, channel), _seven(control, "controller"), _seven(value, "value")))


def control_change_14(channel: int, control: int, value: int) -> tuple[bytes, bytes]:
    """A controller pair, 0-31 with 32-63: the MSB first, because a received MSB resets the LSB."""
    if not 0 <= control <= 31:
        raise WireError(f"controller {control} is outside 0 to 31, the pairs that MIDI 1.0 defines")
    msb, lsb = split14(value)
    return control_change(channel, control, msb), control_change(channel, control + 32, lsb)


def nrpn(channel: int, parameter: int, value: int) -> tuple[bytes, ...]:
    """A non-registered parameter: number MSB and LSB (99, 98), then data entry MSB and LSB (6, 38)."""
    return _parameter(channel, (NRPN_MSB, NRPN_LSB), parameter, value)


def rpn(channel: int, parameter: int, value: int) -> tuple[bytes, ...]:
    """A registered parameter: number MSB and LSB (101, 100), then data entry MSB and LSB (6, 38). The number 7F/7F is
    null, which selects none."""
    if parameter == NULL_PARAMETER:
        raise WireError(f"parameter {parameter} (7F/7F) stands for none")
    return _parameter(channel, (RPN_MSB, RPN_LSB), parameter, value)


def _parameter(channel: int, controls: tuple[int, int], parameter: int, value: int) -> tuple[bytes, ...]:
    numbers = (*split14(parameter, "parameter"), *split14(value))
    pairs = zip((*controls, DATA_MSB, DATA_LSB), numbers, strict=True)
    return tuple(control_change(channel, control, data) for control, data in pairs)


def program_change(channel: int, program: int, bank: int | None = None) -> tuple[bytes, ...]:
    """A program (0-127), after its bank (0-16,383, MSB and LSB) where one is given."""
    change = bytes((_status(PROGRAM, channel), _seven(program, "program")))
    if bank is None:
        return (change,)
    msb, lsb = split14(bank, "bank")
    return control_change(channel, BANK_MSB, msb), control_change(channel, BANK_LSB, lsb), change


def song_select(song: int) -> bytes:
    """Song select, 0 to 127."""
    return bytes((SONG_SELECT, _seven(song, "song")))


def realtime(word: str) -> bytes:
    """`start`, `continue` or `stop`."""
    return bytes((REALTIME[word],))


def sysex(data: bytes) -> bytes:
    """A whole SysEx message, checked: F0, data bytes below 0x80, F7, at most `SYSEX_MAX` bytes."""
    if len(data) > SYSEX_MAX:
        raise WireError(f"a SysEx message of {len(data)} bytes is longer than {SYSEX_MAX}")
    if len(data) < 3 or data[0] != SYSEX or data[-1] != SYSEX_END:
        raise WireError("a SysEx message begins with F0, ends with F7 and holds something in between")
    if any(byte > 0x7F for byte in data[1:-1]):
        raise WireError("the bytes between F0 and F7 are 00 to 7F")
    return data


def hex_text(data: bytes) -> str:
    """The bytes as people write them: `B0 07 64`."""
    return data.hex(" ").upper()
