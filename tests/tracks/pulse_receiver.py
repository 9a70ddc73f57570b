"""What follows a pulse, done as naively as the standards say it: a receiver of MIDI clock, one of MIDI time code, and a
sender that is as late as it is told to be."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import mido

from stagectl.tracks.pulse.score import Due, Score

MS = 1_000_000
S = 1_000_000_000


message_of = lru_cache(200)(mido.Message.from_bytes)
"""What bytes mean, by another library."""


class ClockReceiver:
    """Counts clocks. MIDI 1.0 Detailed Specification 4.2.1: after Start or Continue the next clock is the first one, at
    least 1 ms later; a song position (sixteenths of six clocks) comes while it is stopped."""

    def __init__(self) -> None:
        self.running = False
        self.clock = 0
        """The clock that comes next, counted from the beginning of the song."""
        self.at: list[tuple[int, int]] = []
        """Since it last began to run: each clock, and when it came."""
        self._began = 0

    def hear(self, at: int, packet: bytes) -> None:
        """A message."""
        message = message_of(packet)
        if message.type == "start":
            assert not self.running
            self.running, self.clock, self._began, self.at = True, 0, at, []
        elif message.type == "continue":
            assert not self.running
            self.running, self._began, self.at = True, at, []
        elif message.type == "stop":
            self.running = False
        elif message.type == "songpos":
            assert not self.running
            self.clock = 6 * message.pos
        elif message.type == "clock":
            assert self.running
            assert self.at or at - self._began >= MS
            self.at.append((self.clock, at))
            self.clock += 1


class CodeReceiver:
    """Puts names together from eight quarter frames in a row (RP-004/008)."""

    def __init__(self) -> None:
        self.names: list[tuple[int, str]] = []
        """When the first quarter frame of each name came, and the name."""
        self.full: list[tuple[int, str]] = []
        self._pieces: list[tuple[int, int]] = []

    def hear(self, at: int, packet: bytes) -> None:
        """A message."""
        message = message_of(packet)
        if message.type == "sysex":
            assert message.data[:4] == (0x7F, 0x7F, 0x01, 0x01)
            self.full.append((at, _name(*message.data[4:])))
        elif message.type == "quarter_frame":
            if message.frame_type != len(self._pieces):
                self._pieces = []
            if message.frame_type == len(self._pieces):
                self._pieces.append((at, message.frame_value))
            if len(self._pieces) == 8:
                low = [value for _, value in self._pieces]
                frames, seconds, minutes, hours = (low[at] | low[at + 1] << 4 for at in (0, 2, 4, 6))
                self.names.append((self._pieces[0][0], _name(hours, minutes, seconds, frames)))
                self._pieces = []


def _name(hours: int, minutes: int, seconds: int, frames: int) -> str:
    return f"{('24', '25', '30 drop', '30')[hours >> 5]}: {hours & 31:02}:{minutes:02}:{seconds:02}:{frames:02}"


class Stage:
    """A score, a clock, and who hears what it sends."""

    def __init__(self, score: Score, *hears: Callable[[int, bytes], None]) -> None:
        self.score = score
        self.now = 0
        self.sent: list[Due] = []
        self._hears = hears

    def until(self, end: int, late: Callable[[], int] = lambda: 0) -> None:
        """Time passes. Each message leaves when it is due, or so much later; no earlier than the one before."""
        while (due := self.score.due) is not None and due <= end:
            self.now = max(self.now, due + late())
            message = self.score.take(self.now)
            if message is not None:
                self.sent.append(Due(self.now, message))
                for hear in self._hears:
                    hear(self.now, message)
        self.now = max(self.now, end)
