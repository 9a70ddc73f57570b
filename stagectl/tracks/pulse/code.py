"""The MIDI time code of one output: what leaves when.

Source: MIDI Time Code (RP-004/008). While a track runs, a quarter frame message leaves every quarter of a frame; eight
of them name one frame, and take two. When it begins to run or jumps, a full frame says in one message where it is.
The track's beginning is 00:00:00:00, or what its song says; a count-in before it has no time code.

A quarter frame that is late says nothing that is true any more: after a stall they go on with the next frame that is
named. Only eight in a row name one, so a receiver drops what was begun.
"""

from __future__ import annotations

from typing import Final

from stagectl.tracks.pulse.clock import JUMP_NS
from stagectl.tracks.pulse.pace import Pace
from stagectl.wire.midi import BYTE_NS
from stagectl.wire.time_code import (
    FRAMES_A_NAME,
    PIECES,
    Rate,
    full_frame,
    quarter_begins,
    quarter_frame,
    quarter_from,
)

FULL_NS: Final = 10 * BYTE_NS
"""What a full frame takes on a cable."""

LATE_NS: Final = 20_000_000
"""Quarter frames that are later, about two of them, are skipped."""


class Code:
    """The time code of one output. Times are monotonic ns, positions those that the code names, ns; `zero` is the time
    of position 0. None is sent before the position at which the track `begins`."""

    def __init__(self, rate: Rate) -> None:
        self._rate = rate
        self._zero = self._begins = 0
        self._full_due: int | None = None
        """When the full frame leaves, while it waits."""
        self._quarter = 0
        self._position = 0
        """The next quarter of a frame, and when it begins."""
        self._pace: Pace | None = None

    def run(self, zero: int, position: int, now: int, begins: int = 0) -> None:
        """The track runs from a position on. What was not there in time begins where the track is now."""
        self._zero, self._begins = zero, begins
        self._from(position)
        self._full_due = now
        self._pace = Pace(now)

    def moved(self, zero: int, now: int) -> None:
        """The track's zero is elsewhere than was thought."""
        jumped = abs(zero - self._zero) > JUMP_NS
        self._zero = zero
        if jumped and self._pace is not None:
            self.run(zero, now - zero, now, self._begins)

    def halt(self) -> None:
        """The track stands still."""
        self._full_due = self._pace = None

    @property
    def opening(self) -> bool:
        """Whether the full frame is still to come."""
        return self._full_due is not None

    @property
    def due(self) -> int | None:
        """When the next message is due; None where there is none."""
        if self._full_due is not None:
            return self._full_due
        return None if self._pace is None else self._pace.due(self._position, self._zero)

    def take(self, now: int) -> bytes | None:
        """The message that is due; it leaves now. None where it is too late for it."""
        assert self._pace is not None
        late = now - self._zero - self._position > LATE_NS
        if self._full_due is not None:
            if late:
                self._from(now - self._zero + FULL_NS)
            self._full_due = None
            self._pace = Pace(now + FULL_NS)
            return full_frame(self._quarter // PIECES * FRAMES_A_NAME, self._rate)
        if late:
            self._from(now - self._zero)
            self._pace = Pace(now)
            return None
        message = quarter_frame(self._quarter, self._rate)
        self._pace.went(self._position, self._zero, now)
        self._at(self._quarter + 1)
        return message

    def _from(self, position: int) -> None:
        """Go on with the first frame at or after a position that is named."""
        self._at(-(-quarter_from(max(self._begins, position), self._rate) // PIECES) * PIECES)

    def _at(self, quarter: int) -> None:
        self._quarter, self._position = quarter, quarter_begins(quarter, self._rate)
