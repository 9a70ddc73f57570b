"""How the time of a rehearsal passes: by the monotonic clock, so many times as fast, or not at all.

A foot means what it does by its own time: a press of 0.1 s is no hold because the rehearsal runs ten times as fast. So
while a foot is on a control, or its gesture is not decided yet, time passes as it does on stage (`by_foot`), whatever
the speed that it goes on at afterwards; also where it stands still.
"""

from __future__ import annotations

from typing import Final

SPEEDS: Final = (1, 10)
"""How fast a rehearsal can go."""


class Pace:
    """The rehearsal's time by the monotonic one, both in ns. `speed`: one of SPEEDS; `still`: it is held still."""

    def __init__(self, real: int, night: int = 0) -> None:
        self.speed = 1
        self.still = False
        self.by_foot = False
        self._real, self._night = real, night

    @property
    def rate(self) -> int:
        """How many times as fast as on stage time passes now."""
        if self.by_foot:
            return 1
        return 0 if self.still else self.speed

    def at(self, real: int) -> int:
        """The rehearsal's time at a monotonic time. A time before the last change of pace counts as that."""
        return self._night + max(0, real - self._real) * self.rate

    def when(self, night: int) -> int | None:
        """The monotonic time at which the rehearsal gets to a time of its own; None where it stands still."""
        rate = self.rate
        if rate == 0:
            return None
        return self._real + max(0, -(-(night - self._night) // rate))

    def change(
        self, real: int, *, speed: int | None = None, still: bool | None = None, by_foot: bool | None = None
    ) -> None:
        """From a monotonic time on it goes otherwise. Raises ValueError for a speed that is none."""
        if speed is not None and speed not in SPEEDS:
            raise ValueError(f"{speed} is not a speed: {' or '.join(map(str, SPEEDS))}")
        self.jump(real, self.at(real))
        self.speed = self.speed if speed is None else speed
        self.still = self.still if still is None else still
        self.by_foot = self.by_foot if by_foot is None else by_foot

    def jump(self, real: int, night: int) -> None:
        """At a monotonic time it is so late in the rehearsal."""
        self._real, self._night = max(real, self._real), night
