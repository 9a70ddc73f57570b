"""A click made from a tempo map: a short tone on every beat, another one on the first of a bar.

A tone is a sine that begins at zero and dies away; it is over before the next begins, or cut off by it. No standard
says how a click sounds; two pitches an octave apart, the first beat of a bar higher and a little louder, are common
practice, no source. The levels are well below full scale, since a click goes straight into somebody's ears; how loud it
is there, the desk and the pack decide.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from stagectl.core.tempo import TempoMap

CLICK_DB: Final = -15.0
"""The peak of a click, dB of full scale."""

ACCENT_DB: Final = -12.0
"""The peak of the click on the first beat of a bar, dB of full scale."""

CLICK_HZ: Final = 880.0
ACCENT_HZ: Final = 1_760.0

CLICK_S: Final = 0.03
"""How long a click lasts, s; by then it has died away by 60 dB."""

RISE_S: Final = 0.001
"""How long it rises, s."""


class Click:
    """The click of a tempo map at so many frames a second. Frame 0 is `lead` frames before position 0."""

    def __init__(self, tempo: TempoMap, rate: int, lead: int) -> None:
        self._tempo = tempo
        self._rate = rate
        self._lead = lead
        self._tones = (_tone(CLICK_HZ, CLICK_DB, rate), _tone(ACCENT_HZ, ACCENT_DB, rate))

    def between(self, begins: int, ends: int) -> NDArray[np.float32]:
        """The click from one frame up to another (without it)."""
        out: NDArray[np.float32] = np.zeros(ends - begins, np.float32)
        # One frame more on each side, since a beat's position is rounded to the nearest frame.
        since, until = (
            (frame - self._lead) * 1_000_000_000 // self._rate for frame in (begins - len(self._tones[0]) - 1, ends + 1)
        )
        for beat in self._tempo.beats(since, until):
            at = self._lead + frames_of(beat.position, self._rate)
            tone = self._tones[beat.beat == 1]
            first, last = max(at, begins), min(at + len(tone), ends)
            if first < last:
                # What still sounds of the one before ends here.
                out[first - begins : last - begins] = tone[first - at : last - at]
        return out


def frames_of(ns: int, rate: int) -> int:
    """A time in frames, rounded to the nearest; a half goes up."""
    return (2 * ns * rate + 1_000_000_000) // 2_000_000_000


def _tone(pitch: float, level: float, rate: int) -> NDArray[np.float32]:
    time = np.arange(round(CLICK_S * rate)) / rate
    shape = 10 ** (-3 * time / CLICK_S) * np.minimum(1, time / RISE_S)
    wave = np.sin(2 * np.pi * pitch * time) * shape
    out: NDArray[np.float32] = (wave / np.abs(wave).max() * 10 ** (level / 20)).astype(np.float32)
    return out
