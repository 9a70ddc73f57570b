"""One playing of a song: from a place in it, until it is faded out or has ended.

The samples go from the song's file to a ring buffer of more than a second, from which the callback takes them; so the
disk, and whatever holds up this process, may take that long. To fade out at once all the same, what already lies in the
ring is changed: from a place that the callback cannot reach before, `_margin` frames ahead of it, the samples are faded
and the rest is silence. Nothing depends on when this is done: frame follows frame, and the place is known exactly.

It begins `START_S` and a buffer after it was asked for, to the frame: the callback is told of the time. What the order
takes until it is here, and what this process takes to wake up, is within that, and so shows in no start.

What goes on from the middle of a song begins at the first frame that was faded, and rises as it fell.
"""

from __future__ import annotations

import time
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from stagectl.tracks.sound.ear import Ear
from stagectl.tracks.sound.mixer import Device
from stagectl.tracks.sound.shelf import Ready

RING_S: Final = 1.0
"""What the ring holds at least, s."""

START_S: Final = 0.0075
"""From asking for it to its first frame, s, and a buffer more."""

FIRST: Final = 8_192
"""Frames that are in the ring before the callback is told of it."""

FADE_S: Final = 0.015
"""How long a fade takes, s."""

AHEAD_S: Final = 0.005
"""How far ahead of the callback the ring is changed, s, beside the blocks that it may be taking."""


def fade(frames: int) -> NDArray[np.float32]:
    """From 1 towards 0 along half a cosine, as a column; 1 itself is left out, and so is 0."""
    return ((1 + np.cos(np.pi * np.arange(1, frames + 1) / (frames + 1))) / 2).astype(np.float32)[:, None]


class Playing:
    """A song that plays from a frame on. `turn`: the daemon's number of it; `asked`: when it was asked for, monotonic
    ns, None for at once."""

    def __init__(self, device: Device, ready: Ready, turn: int, frame: int, asked: int | None = None) -> None:
        self.ready = ready
        self.turn = turn
        self.stuttered = 0
        self._device = device
        self._size: int = 1 << (round(device.rate * RING_S) - 1).bit_length()
        self._fade = round(FADE_S * device.rate)
        self._margin = 2 * device.frames + round(AHEAD_S * device.rate)
        self._lost_before = device.lost
        self._begin(frame, rising=0 < frame != ready.lead, asked=asked)

    def _begin(self, frame: int, rising: bool, asked: int | None = None) -> None:
        device = self._device
        self.ear = Ear(device.rate, device.frames, device.latency)
        self._first = self._fed = frame
        self._silent_from: int | None = None
        self._cancelled = False
        self._memory = np.zeros((self._size, device.outputs), np.float32)
        self._ring = device.ring(self._memory)
        self._rise = 1 - fade(self._fade) if rising else None
        self._feed(FIRST)
        wait_ns = round(START_S * 1e9) + self.ear.ns(device.frames)
        self._action: Any = device.play(self._ring, None if asked is None else asked + wait_ns)
        self._feed(self._size)

    # -- feeding ----------------------------------------------------------------------------------------------

    def look(self) -> None:
        """To be called again and again: look how far it is, and fill the ring. Raises DeviceError."""
        taken = self._action.done_frames
        if self._device.plays(self._action):
            self.ear.looked(time.monotonic_ns(), taken)
            if taken and self.ear.first is None:
                self.ear.first = self._device.monotonic(self._action.actual_time)
            if self._silent_from is None:
                self._feed(self._size)
            elif taken >= self._silent_from and not self._cancelled:
                self._cancelled = True
                self._device.cancel(self._action)
        elif self._silent_from is None and self._first + taken < len(self.ready.frames):
            # This process was held up until the ring was empty.
            self.stuttered += 1
            self._begin(self._first + taken, rising=True)

    def _feed(self, frames: int) -> None:
        room = min(self._ring.write_available, frames, len(self.ready.frames) - self._fed)
        if room > 0:
            samples = self.ready.frames[self._fed : self._fed + room]
            if self._rise is not None:
                samples = samples.copy()
                samples[: len(self._rise)] *= self._rise[: len(samples)]
                self._rise = None
            self._ring.write(samples, room)
            self._fed += room

    # -- where it is ------------------------------------------------------------------------------------------

    @property
    def over(self) -> bool:
        """Whether nothing more of it will be played."""
        return not self._device.plays(self._action)

    @property
    def lost(self) -> int:
        """Blocks that came too late while it played."""
        return self._device.lost - self._lost_before

    def position(self, frame: int) -> int:
        """A frame of the song as a position, ns."""
        return self.ear.ns(frame - self.ready.lead)

    def heard(self) -> tuple[int, int] | None:
        """The position that is heard now, ns, and now, monotonic ns; None while its first frame has not been taken.
        Before that frame is heard, it is the position and the time at which it will be."""
        begins = self.ear.heard(0)
        if begins is None:
            return None
        now = time.monotonic_ns()
        if now < begins:
            return self.position(self._first), begins
        return min(self.position(self._first) + now - begins, self.position(len(self.ready.frames))), now

    @property
    def ends(self) -> int | None:
        """When the last frame is heard, monotonic ns."""
        return self.ear.heard(len(self.ready.frames) - self._first)

    # -- fading out -------------------------------------------------------------------------------------------

    def fade_out(self) -> tuple[int, int]:
        """Fade out. Returns the first frame that is faded, and when it is heard, monotonic ns."""
        fed = self._fed - self._first
        place = min(fed - self._ring.read_available + self._margin, fed)
        length = min(self._fade, fed - place)
        self._change(place, fade(length))
        self._change(place + length, np.zeros((fed - place - length, 1), np.float32))
        self._silent_from = place + length
        at = self.ear.heard(place)
        return self._first + place, time.monotonic_ns() if at is None else at

    def _change(self, place: int, factor: NDArray[np.float32]) -> None:
        """Multiply frames of the ring, which begin at a place counted from the first that was fed."""
        at = place % self._size
        straight = min(len(factor), self._size - at)
        self._memory[at : at + straight] *= factor[:straight]
        self._memory[: len(factor) - straight] *= factor[straight:]
