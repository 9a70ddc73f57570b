"""When each of a row of positions is due, while the track that they follow moves a little.

A track is played by the clock of a sound card, which runs up to some 200 parts per million faster or slower than ours,
and where it is comes in a few times a second, less than a millisecond wrong. To jump to each report would hand its
error on as jitter. So a row of its own is kept, from one position to the next one, and it is led after the track: what
it is off by up to `FINE_NS` is made good a little with each step, as by a low pass with the time constant `SLEW_NS`;
what it is off beyond that at once, as far as half a step allows. Nothing is added up: each step looks at how far the
row is off as a whole, so that no rounding and no error grows.

A step is never shorter than half of what it is on the map: neither by being led, nor after a stall, where what is late
is made good at double pace.
"""

from __future__ import annotations

from typing import Final

FINE_NS: Final = 3_000_000
"""What may be the error of reports: more than twice the largest."""

SLEW_NS: Final = 1_000_000_000
"""The time constant of what is led slowly. At 200 parts per million the row is 0.2 ms behind."""


class Pace:
    """A row of positions, in their order. Nothing of it is due before `floor`, monotonic ns. `zero` is always the
    monotonic time at which the position was, or will be, 0."""

    def __init__(self, floor: int) -> None:
        self._floor = floor
        self._position: int | None = None
        self._nominal = 0
        self._went = floor

    @property
    def begun(self) -> bool:
        """Whether any has gone."""
        return self._position is not None

    def due(self, position: int, zero: int) -> int:
        """When the next position is due, monotonic ns."""
        if self._position is None:
            return max(zero + position, self._floor)
        return max(self._led(position, zero), self._went + (position - self._position + 1) // 2)

    def went(self, position: int, zero: int, now: int) -> None:
        """The next position was due, and its message left now."""
        self._nominal = zero + position if self._position is None else self._led(position, zero)
        self._position = position
        self._went = max(now, self._went)

    def _led(self, position: int, zero: int) -> int:
        """When the next position is due by the row that is led after the track."""
        assert self._position is not None
        step = position - self._position
        off = zero + self._position - self._nominal
        fine = max(-FINE_NS, min(off, FINE_NS))
        more = off - fine + fine * min(step, SLEW_NS) // SLEW_NS
        return self._nominal + step + max(-(step // 2), min(more, step // 2))
