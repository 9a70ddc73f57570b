"""What one output of the pulse is sent, and when: MIDI clock, time code, or both. Pure: the time is an argument.

A score is told what the track does (`run`, `moved`, `halt`) and gives the time of its next message (`due`) and the
message (`take`). What is not due yet is not laid up anywhere: it is worked out when it is asked for, so that a track
that moves finds nothing old.

On one output the clock goes first, since a receiver takes its tempo from it. A full frame of time code takes a cable
3.2 ms: where the clock is about to begin, it waits for the first clock to be out.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from typing import NamedTuple

from stagectl.core.tempo import TempoMap
from stagectl.tracks.pulse.clock import Clock
from stagectl.tracks.pulse.code import FULL_NS, Code
from stagectl.wire.midi import BYTE_NS
from stagectl.wire.time_code import Rate, named_at


class Wants(NamedTuple):
    """What an output is sent: MIDI clock, and time code at a rate."""

    clock: bool
    time_code: Rate | None = None


class Due(NamedTuple):
    """A message, and when it is due, monotonic ns."""

    at: int
    message: bytes


class Score:
    """The score of one output. Times are monotonic ns, positions ns since the track's beginning; `zero` is the time at
    which the position was, or will be, 0."""

    def __init__(self, wants: Wants) -> None:
        self._clock = Clock() if wants.clock else None
        self._rate = wants.time_code
        self._code = None if self._rate is None else Code(self._rate)
        self._code_at = 0
        self._free = -sys.maxsize
        """When a cable has carried what the clock last sent."""

    def run(self, tempo: TempoMap | None, zero: int, position: int, now: int | None = None, code_at: int = 0) -> None:
        """The track runs from a position on. Without a tempo map there is no clock. `code_at`: the name
        that time code has at position 0, as a time in ns. `now`: nothing is due before; None: when the track is at the
        position. An earlier `now` lets the first clock be in time."""
        now = zero + position if now is None else now
        if self._clock is not None:
            self._clock.run(tempo, zero, position, now)
        if self._code is not None and self._rate is not None:
            self._code_at = begins = named_at(code_at, self._rate)
            self._code.run(zero - begins, position + begins, now, begins)

    def moved(self, zero: int, now: int) -> None:
        """The track's zero is elsewhere than was thought: a little, and what is to come is led there; or far, and the
        receiver is told where the track is now."""
        if self._clock is not None:
            self._clock.moved(zero, now)
        if self._code is not None:
            self._code.moved(zero - self._code_at, now)

    def halt(self, now: int) -> None:
        """The track stands still."""
        if self._clock is not None:
            self._clock.halt(now)
        if self._code is not None:
            self._code.halt()

    @property
    def due(self) -> int | None:
        """When the next message is due; None where there is none."""
        clock, code = self._dues()
        return clock if code is None else code if clock is None else min(clock, code)

    def take(self, now: int) -> bytes | None:
        """The message that is due; it leaves now. None where it is too late for it: that is not an error. Called only
        where something is due."""
        clock, code = self._dues()
        if self._clock is not None and clock is not None and (code is None or clock <= code):
            message = self._clock.take(now)
            self._free = now + len(message or b"") * BYTE_NS
            return message
        assert self._code is not None
        full = self._code.opening
        message = self._code.take(now)
        if full and self._clock is not None:
            self._clock.hold(now + FULL_NS)
        return message

    def messages(self) -> Iterator[Due]:
        """What leaves if each message leaves when it is due. It ends where nothing is due any more."""
        while (due := self.due) is not None:
            message = self.take(due)
            if message is not None:
                yield Due(due, message)

    def _dues(self) -> tuple[int | None, int | None]:
        clock = None if self._clock is None else self._clock.due
        code = None if self._code is None else self._code.due
        if self._clock is None or self._code is None or clock is None or code is None:
            return clock, code
        if self._code.opening:
            code = max(code, self._free)
            if self._clock.opening and clock < code + FULL_NS:
                code = max(code, clock + BYTE_NS)
        return clock, code
