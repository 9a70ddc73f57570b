"""The songs that are ready to be played, and those that are being made ready, one after the other."""

from __future__ import annotations

import os
import subprocess
import tempfile
import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from stagectl.apart.pipes import line, parsed
from stagectl.apart.python import runs
from stagectl.tracks.song import SongTrack
from stagectl.tracks.sound.orders import KEPT_MAX, plain_track

Look = tuple[tuple[int, int] | None, ...]
"""When the files of a track were changed, and how large they are."""

WARM: Final = 16_384
"""Frames at a place where a song may begin that are kept in memory, so that a start never waits for the disk."""


@dataclass(frozen=True, eq=False, slots=True)
class Ready:
    """A song that can be played. `frames`: frames × outputs, the count-in first, which is `lead` frames long."""

    track: SongTrack
    lead: int
    frames: NDArray[np.float32]
    notes: tuple[str, ...] = ()


@dataclass(eq=False, slots=True)
class Making:
    """A song that is being made ready. `found`: what came of it; `cramped`: the disk had no room for it;
    `dropped`: nobody wants it any more."""

    track: SongTrack
    look: Look
    process: subprocess.Popen[bytes] | None = None
    found: Ready | str = ""
    cramped: bool = False
    dropped: bool = False


class Shelf:
    """Keeps songs ready. `tell` is called on another thread when one is made: the caller then calls `made`."""

    def __init__(self, rate: int, outputs: int, tell: Callable[[Making], None]) -> None:
        self._rate = rate
        self._outputs = outputs
        self._tell = tell
        self._wanted: list[SongTrack] = []
        self._done: dict[int, tuple[Look, Ready | str]] = {}
        self._making: Making | None = None

    def keep(self, tracks: Sequence[SongTrack]) -> None:
        """Make these songs ready in their order, and drop all others. One whose files have changed is made anew."""
        self._wanted = list(tracks[:KEPT_MAX])
        wanted = {track.song: (track, look(track)) for track in self._wanted}
        for song, (seen, found) in list(self._done.items()):
            track, now = wanted.get(song, (None, None))
            known = found.track if isinstance(found, Ready) else track
            # What failed is tried again where it is asked for again: a file may have come.
            if known != track or seen != now or not isinstance(found, Ready):
                del self._done[song]
        making, first = self._making, self._first()
        if making is not None and (first is None or (making.track, making.look) != wanted[first.song]):
            # What is wanted first does not wait for it; it is begun anew when its turn comes.
            self._drop(making)
        self._next()

    def get(self, song: int) -> Ready | str:
        """A song that is ready; else why it is not, as a sentence."""
        if song in self._done:
            return self._done[song][1]
        name = next((f"`{track.name}`" for track in self._wanted if track.song == song), "the track")
        return f"{name} is not ready yet; it is being made ready"

    def made(self, making: Making) -> Ready | str | None:
        """A process has ended: the song, or why it cannot be played; None where nobody wants it any more, or it is
        tried again."""
        if making is not self._making:
            return None
        self._making = None
        if making.cramped and self._makes_room(making.track.song):
            self._next()
            return None
        self._done[making.track.song] = (making.look, making.found)
        self._next()
        return making.found

    def warm(self) -> None:
        """Look at the places where songs may begin, so that they stay in memory."""
        for _, found in self._done.values():
            if isinstance(found, Ready):
                for begins in {0, found.lead}:
                    found.frames[begins : begins + WARM].max(initial=0)

    def close(self) -> None:
        """Stop what is being made."""
        if self._making is not None:
            self._drop(self._making)

    def _first(self) -> SongTrack | None:
        return next((track for track in self._wanted if track.song not in self._done), None)

    def _makes_room(self, song: int) -> bool:
        """Drop the song that is needed least, if that is less than this one; whether there was one."""
        for track in reversed(self._wanted):
            if track.song == song:
                return False
            if isinstance(self._done.get(track.song, (None, ""))[1], Ready):
                del self._done[track.song]
                return True
        return False

    def _next(self) -> None:
        if self._making is not None:
            return
        track = self._first()
        if track is None:
            return
        self._making = Making(track, look(track))
        threading.Thread(target=self._make, args=(self._making,), daemon=True).start()

    def _make(self, making: Making) -> None:
        """Let a process make a song ready, whatever comes of it."""
        name = making.track.name
        try:
            with tempfile.TemporaryFile(prefix="stagectl-") as file:
                making.process = process = subprocess.Popen(
                    runs("stagectl.tracks.sound.prepare"),
                    stdin=subprocess.PIPE,
                    stdout=file,
                    stderr=subprocess.PIPE,
                )
                if making.dropped:
                    process.kill()
                told = self._talk(making.track, process)
                if told.get("is") == "made" and process.returncode == 0:
                    # What is mapped stays, without a name and without an open file.
                    shape = (told["frames"], self._outputs)
                    frames = np.memmap(file, np.float32, "r", shape=shape) if told["frames"] else np.zeros(shape, "f4")
                    making.found = Ready(making.track, told["lead"], frames, tuple(told["notes"]))
                else:
                    ended = f"making {name} ready has ended on its own ({process.returncode})"
                    making.found, making.cramped = str(told.get("text", ended)), bool(told.get("cramped"))
        except (OSError, ValueError) as error:
            making.found = f"{name} cannot be made ready: {error}"
        self._tell(making)

    def _talk(self, track: SongTrack, process: subprocess.Popen[bytes]) -> dict[str, Any]:
        """Say what is to be made, and hear the process until its end: what it said last."""
        assert process.stdin is not None
        assert process.stderr is not None
        last: dict[str, Any] = {}
        with process:
            with suppress(OSError):
                process.stdin.write(line({"track": plain_track(track), "rate": self._rate, "outputs": self._outputs}))
                process.stdin.flush()
            for said in process.stderr:
                # Libraries may have their own things to say there.
                last = parsed(said) or last
        return last

    def _drop(self, making: Making) -> None:
        # The thread looks after it has begun the process: one of the two sees what the other has done.
        making.dropped, self._making = True, None
        if making.process is not None:
            making.process.kill()


def look(track: SongTrack) -> Look:
    """How the files of a track look from outside."""
    out: list[tuple[int, int] | None] = []
    for stem in track.stems:
        try:
            found = os.stat(stem.path)
        except (OSError, ValueError):
            out.append(None)
        else:
            out.append((found.st_mtime_ns, found.st_size))
    return tuple(out)
