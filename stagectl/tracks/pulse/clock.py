"""The MIDI clock of one output: what leaves when.

Source: MIDI 1.0 Detailed Specification 4.2.1, System Real Time and Song Position Pointer. 24 clocks are a quarter note.
Start and Continue mean that the next clock is the first one of the song, or of the song position; there must be at
least 1 ms between. A song position is sent only while the receiver is stopped, in sixteenth notes of six clocks.

A receiver counts clocks, so none of them is left out: what is late is sent all the same, at double pace (`pace.py`).
What is off by more than `JUMP_NS`, because the track jumped or this machine stood still, is not made good by clocks:
the receiver is stopped, told where the song is, and continued there.
"""

from __future__ import annotations

import sys
from collections import deque
from typing import Final

from stagectl.core.tempo import CLOCKS_A_UNIT, TempoMap
from stagectl.tracks.pulse.pace import Pace
from stagectl.wire.midi import BYTE_NS, REALTIME
from stagectl.wire.time_code import SONG_POSITION_MAX, song_position

CLOCK: Final = b"\xf8"
START: Final = bytes((REALTIME["start"],))
CONTINUE: Final = bytes((REALTIME["continue"],))
STOP: Final = bytes((REALTIME["stop"],))

SETTLE_NS: Final = 1_000_000
"""At least so long after Start or Continue comes the first clock."""

GAP_NS: Final = BYTE_NS + SETTLE_NS
"""The same, from when Start is handed over: a cable takes 0.32 ms to carry it."""

LEAD_NS: Final = 10_000_000
"""Start and Continue leave so long before their clock where there is time: JACK delivers at once all that comes within
one of its periods, and so may USB."""

OPENING_NS: Final = (1 + 3) * BYTE_NS + GAP_NS
"""What stop, song position and Continue take on a cable, until the first clock."""

JUMP_NS: Final = 100_000_000
"""What is off by more is no clock's to make good. At 120 a minute that is less than a sixteenth note, for which a
receiver that is continued may have to wait."""


class Clock:
    """The clock of one output. Times are monotonic ns, positions ns since the track's beginning; `zero` is the time of
    position 0."""

    def __init__(self) -> None:
        self._tempo: TempoMap | None = None
        self._zero = 0
        self._words: deque[bytes] = deque()
        """Stop and song position that wait to leave, one behind the other."""
        self._go: bytes | None = None
        """Start or Continue, while it waits."""
        self._pace: Pace | None = None
        """The clocks, once Start or Continue has left."""
        self._clock = 0
        self._position = 0
        """The next clock, and where the map has it."""
        self._floor = -sys.maxsize
        """Nothing of the opening is due before."""
        self._told: bool | None = None
        """Whether the receiver was told to run; None where nobody knows."""

    def run(self, tempo: TempoMap | None, zero: int, position: int, now: int) -> None:
        """The track runs from a position on; without a tempo map there is no clock. What was not there in time begins
        where the track is now."""
        self._stop(now)
        self._tempo, self._zero = tempo, zero
        if tempo is not None:
            self._open(tempo, position, now)

    def moved(self, zero: int, now: int) -> None:
        """The track's zero is elsewhere than was thought."""
        jumped = abs(zero - self._zero) > JUMP_NS
        self._zero = zero
        if jumped and self._tempo is not None:
            self._stop(now)
            self._open(self._tempo, now - zero, now)

    def halt(self, now: int) -> None:
        """The track stands still."""
        self._stop(now)
        self._tempo = None

    @property
    def opening(self) -> bool:
        """Whether the first clock is still to come."""
        return bool(self._words) or self._go is not None or (self._pace is not None and not self._pace.begun)

    @property
    def due(self) -> int | None:
        """When the next message is due; None where there is none."""
        if self._words:
            return self._floor
        if self._go is not None:
            return max(self._zero + self._position - LEAD_NS, self._floor)
        return None if self._pace is None else self._pace.due(self._position, self._zero)

    def take(self, now: int) -> bytes | None:
        """The message that is due; it leaves now. None where there is none any more."""
        if self._off(now) and (self._go or self._pace):
            self._again(now)
        if self._words:
            word = self._words.popleft()
            self.hold(now + len(word) * BYTE_NS)
            if word == STOP:
                self._told = False
            return word
        if self._go is not None:
            go, self._go, self._told = self._go, None, True
            self._pace = Pace(max(now, self._floor) + GAP_NS)
            return go
        if self._pace is None or self._tempo is None:
            return None
        self._pace.went(self._position, self._zero, now)
        self._at(self._tempo, self._clock + 1)
        return CLOCK

    def hold(self, until: int) -> None:
        """Nothing of the opening is due before; a cable carries something else."""
        self._floor = max(self._floor, until)

    def _at(self, tempo: TempoMap, clock: int) -> None:
        self._clock, self._position = clock, tempo.at_clock(clock)

    def _stop(self, now: int) -> None:
        """Forget what was to come; a receiver that runs is stopped."""
        self._words.clear()
        if self._told:
            self._words.append(STOP)
        self._go = self._pace = None
        self._floor = max(self._floor, now)

    def _open(self, tempo: TempoMap, position: int, now: int) -> bool:
        """What begins the clock at a position, or where the track is now if that is long past. Returns whether there is
        anything: there is no song position beyond 14 bits."""
        unit = _unit(tempo, position)
        if now - self._zero - tempo.at_clock(unit * CLOCKS_A_UNIT) > JUMP_NS:
            unit = _unit(tempo, now - self._zero + OPENING_NS)
        if unit > SONG_POSITION_MAX:
            return False
        self._at(tempo, unit * CLOCKS_A_UNIT)
        self._go = CONTINUE if unit else START
        if unit:
            if self._told is None:
                self._words.append(STOP)
            self._words.append(song_position(unit))
        return True

    def _off(self, now: int) -> bool:
        """Whether the next clock is further from the track than is to be made good."""
        late = now - self._zero - self._position
        return late > JUMP_NS if self._pace is None else abs(late) > JUMP_NS

    def _again(self, now: int) -> None:
        """Begin anew where the track is now; where that cannot be said, clocks that go, go on."""
        assert self._tempo is not None
        kept, clock = self._pace, self._clock
        self._stop(now)
        if not self._open(self._tempo, now - self._zero, now) and kept is not None:
            self._words.clear()
            self._pace = kept
            self._at(self._tempo, clock)


def _unit(tempo: TempoMap, position: int) -> int:
    """The first sixteenth note at or after a position; bar 1 is where everything before it begins."""
    return max(0, -(-tempo.clock_from(position) // CLOCKS_A_UNIT))
