"""When each frame of what plays is heard, told from the frames that were really played.

The callback takes a block of frames each time. How many it has taken in all can be looked up at any time, but not when
it took them. A look at time t that sees d frames taken says that the last of the callbacks came before t: so t - d/rate
is never earlier than the truth, and of many looks the least is late by no more than the shortest time between a look
and the callback before it. Looks at every hundredth of a second fall on all parts of a buffer: the least of the last
second's is right within a few hundredths of a millisecond, and it follows the clock of the sound card, which runs a
little faster or slower than the system's, and blocks that were lost.

The first frame of the last block taken is heard when that callback came, and the latency later. So frame f is heard at
least(t - d/rate) + (f + block)/rate + latency.
"""

from __future__ import annotations

from collections import deque
from typing import Final

LOOKS_NS: Final = 1_000_000_000
"""How far back looks count, ns."""

LOOKS_MAX: Final = 1_000
"""Looks that are kept."""

ENOUGH: Final = 12
"""Looks from which on they are better than what PortAudio says of the very first frame."""


class Ear:
    """One playing's clock. Frames are counted from its first; times are monotonic ns."""

    def __init__(self, rate: int, block: int, latency: int) -> None:
        self._rate = rate
        self._after = self.ns(block) + latency
        self._looks: deque[tuple[int, int]] = deque(maxlen=LOOKS_MAX)
        self._taken = 0
        self.first: int | None = None
        """When the first frame is heard, as PortAudio says."""

    def ns(self, frames: int) -> int:
        """So many frames, ns."""
        return frames * 1_000_000_000 // self._rate

    def looked(self, at: int, taken: int) -> None:
        """A look: so many frames were taken by then."""
        if taken <= 0:
            return
        begins = at - self.ns(taken)
        while self._looks and self._looks[-1][1] >= begins:
            # A later look that says no later a time makes an earlier one of no use.
            self._looks.pop()
        self._looks.append((at, begins))
        self._taken += 1
        while self._looks[0][0] < at - LOOKS_NS:
            self._looks.popleft()

    def heard(self, frame: int) -> int | None:
        """When a frame is heard; None while nothing has been played."""
        if self._looks and (self._taken >= ENOUGH or self.first is None):
            return self._looks[0][1] + self._after + self.ns(frame)
        return None if self.first is None else self.first + self.ns(frame)
