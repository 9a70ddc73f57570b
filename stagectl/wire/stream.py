"""From a stream of MIDI bytes to whole messages, however the bytes are cut.

Source: MIDI 1.0 Detailed Specification 4.2.1, running status, real-time and system exclusive messages.
"""

from __future__ import annotations

from collections import Counter
from typing import Final

from stagectl.wire.midi import SYSEX, SYSEX_END, SYSEX_MAX

REALTIME_FIRST: Final = 0xF8
"""From here on a status byte may stand anywhere, inside other messages too."""

COMMON_DATA: Final = {0xF1: 1, 0xF2: 2, 0xF3: 1, 0xF6: 0}
"""Data bytes of the system common messages; F4 and F5 are undefined."""

NO_STATUS: Final = "data bytes with no status before them"
CUT_SHORT: Final = "a message cut short"
TOO_LONG: Final = "a SysEx message that is too long"
UNDEFINED: Final = "an undefined status byte"


def data_bytes(status: int) -> int | None:
    """How many data bytes follow a status byte below F8 that is not SysEx; None where it is undefined."""
    if status < SYSEX:
        return 1 if 0xC0 <= status < 0xE0 else 2
    return COMMON_DATA.get(status)


_OF_TWO: Final = frozenset(status for status in range(0x80, SYSEX) if data_bytes(status) == 2)


class MidiStream:
    """Puts messages together. `counted`: what was left out, by reason."""

    def __init__(self, counted: Counter[str]) -> None:
        self.counted = counted
        self._running = 0
        self._held = bytearray()
        self._too_long = False

    def feed(self, data: bytes) -> list[bytes]:
        """The messages that these bytes complete, each with its status byte."""
        # What a switch says comes whole, mostly: a status with two data bytes.
        if len(data) == 3 and not self._held and data[0] in _OF_TWO and data[1] < 0x80 > data[2]:
            self._running, self._too_long = data[0], False
            return [bytes(data)]
        out: list[bytes] = []
        for byte in data:
            if byte >= REALTIME_FIRST:
                out.append(bytes((byte,)))
            elif byte >= 0x80:
                self._status(byte, out)
            elif self._held and self._held[0] == SYSEX:
                self._in_sysex(byte)
            else:
                self._data(byte, out)
        return out

    def reset(self) -> None:
        """Forget what was half said: the wire was cut, and what comes next begins anew."""
        self._running, self._too_long = 0, False
        self._held = bytearray()

    def _status(self, byte: int, out: list[bytes]) -> None:
        held, self._held = self._held, bytearray()
        if held and held[0] == SYSEX:
            if byte == SYSEX_END and not self._too_long:
                out.append(bytes((*held, byte)))
            elif byte == SYSEX_END:
                self.counted[TOO_LONG] += 1
            else:
                self.counted[CUT_SHORT] += 1
        elif held:
            self.counted[CUT_SHORT] += 1
        elif byte == SYSEX_END:
            self.counted[UNDEFINED] += 1
        # System exclusive and system common messages end running status; a channel status begins one.
        self._running, self._too_long = 0, False
        if byte == SYSEX:
            self._held = bytearray((byte,))
        elif byte != SYSEX_END:
            self._begin(byte, out)

    def _begin(self, byte: int, out: list[bytes]) -> None:
        needed = data_bytes(byte)
        if needed is None:
            self.counted[UNDEFINED] += 1
        elif needed == 0:
            out.append(bytes((byte,)))
        else:
            self._running = byte
            self._held = bytearray((byte,))

    def _in_sysex(self, byte: int) -> None:
        # One place is kept for the F7 that ends it.
        if len(self._held) + 1 < SYSEX_MAX:
            self._held.append(byte)
        else:
            self._too_long = True

    def _data(self, byte: int, out: list[bytes]) -> None:
        if not self._running:
            self.counted[NO_STATUS] += 1
            return
        if not self._held:
            self._held = bytearray((self._running,))
        self._held.append(byte)
        if len(self._held) - 1 == data_bytes(self._running):
            out.append(bytes(self._held))
            self._held = bytearray()
            if self._running >= SYSEX:
                self._running = 0
