"""When a track began: an estimate from messages that arrive late.

A player says "I am at position p" at the very moment, and the message arrives some ms later: never early, and late by
the way through drivers, which work in periods of 1 to 10 ms. So each message says only that the track's zero, the
moment at which it was (or would have been) at position 0, was no later than arrival - p; and of some messages the
earliest such zero is the best one. It errs by the shortest delay among them, which for n delays spread evenly over a
period is a period / (n + 1) on average, where a mean would err by half a period.

The player's clock and ours differ by some 100 ppm, so the zero creeps: only the last second counts, or as many messages
as are needed at slow tempos; over a second 200 ppm make 0.2 ms.

Where the track jumped, messages say so at once if it went ahead, for none is early; where it went back or stood still
they look late, and so a few of them have to agree.
"""

from __future__ import annotations

from collections import deque
from typing import Final, NamedTuple

WINDOW_NS: Final = 1_000_000_000
"""How long a message counts."""

MESSAGES_MIN: Final = 48
"""Messages that count in any case: two quarter notes of MIDI clock. With delays spread evenly over 10 ms, all of them
are later than 3 ms once in 27 million times."""

LEAP_NS: Final = 30_000_000
"""A message that differs by more from what was expected is of a jump, and not of a delay."""

LATE_MAX: Final = 6
"""So many late messages in a row are of a jump."""


class _Zero(NamedTuple):
    """What a message says: its number, when it came, and the zero."""

    number: int
    at: int
    zero: int


class Line:
    """The estimate. Times and positions in ns. What is kept is bounded by the messages of a second."""

    def __init__(self) -> None:
        self._zeros: deque[_Zero] = deque()  # Rising: each is the earliest of those that came after the one before it.
        self._late: list[_Zero] = []
        self._number = 0

    @property
    def zero(self) -> int | None:
        """The zero; None where nothing is known."""
        return self._zeros[0].zero if self._zeros else None

    def clear(self) -> None:
        """Nothing is known."""
        self._zeros.clear()
        self._late.clear()

    def near(self, position: int, at: int) -> bool:
        """Whether a message would be of the same run."""
        return self.zero is not None and abs(at - position - self.zero) <= LEAP_NS

    def add(self, position: int, at: int) -> bool:
        """Take note of a message that came at a time and was sent at a position. Returns whether the track jumped."""
        self._number += 1
        new = _Zero(self._number, at, at - position)
        was = self.zero
        if was is not None and new.zero > was + LEAP_NS:
            self._late.append(new)
            if len(self._late) < LATE_MAX:
                return False
            late = self._late.copy()
            self.clear()
            for one in late:
                self._take(one)
            return True
        self._late.clear()
        jumped = was is not None and new.zero < was - LEAP_NS
        if jumped:
            self.clear()
        self._take(new)
        return jumped

    def _take(self, new: _Zero) -> None:
        while self._zeros and self._zeros[-1].zero >= new.zero:
            self._zeros.pop()
        self._zeros.append(new)
        first = self._zeros[0]
        while new.at - first.at > WINDOW_NS and new.number - first.number >= MESSAGES_MIN:
            self._zeros.popleft()
            first = self._zeros[0]
