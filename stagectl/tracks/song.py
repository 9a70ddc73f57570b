"""What the built-in player and the clock are told of a song's track: plain values, made once when a show is compiled.

Positions are ns since the track's beginning. A count-in is heard before it, at positions below 0.
"""

from __future__ import annotations

from typing import NamedTuple

from stagectl.core.tempo import TempoMap


class Stem(NamedTuple):
    """A sound file of a track. `path`: where it is; `outputs`: the outputs of the sound device, from 1, to which its
    channels go in their order; a mono file goes to each of several."""

    path: str
    outputs: tuple[int, ...]


class SongTrack(NamedTuple):
    """A song's track. `length`: where it ends, ns, if the setlist says so; else the longest of the stems says it.
    `lead`: how long its count-in is, ns. `click`: the outputs that a click is made for, from the tempo map; they need
    one; `counts`: those of the count-in's click, None where they are the same; `counts_from`: where its first bar
    begins, ns, which may be in the middle of the stems; it is heard up to bar 1. None: it is the lead. A track without
    stems is a click alone, and needs a length."""

    song: int
    name: str
    stems: tuple[Stem, ...] = ()
    tempo: TempoMap | None = None
    lead: int = 0
    length: int | None = None
    click: tuple[int, ...] = ()
    counts: tuple[int, ...] | None = None
    counts_from: int | None = None

    @property
    def counted(self) -> tuple[int, ...]:
        """The outputs at which the count-in is heard."""
        return self.click if self.counts is None else self.counts


class SoundDevice(NamedTuple):
    """The sound device of a built-in player. `name`: any part of its name, None for the system's default; `outputs`:
    how many of its outputs are used, from the first on; `rate`: frames a second, `frames`: of a buffer, None where the
    device decides."""

    name: str | None = None
    outputs: int = 2
    rate: int | None = None
    frames: int | None = None
