"""The daemon's end of the built-in player: it keeps a process that plays, tells it what to do, and hears what it says.

The process is another one because its libraries are large and may hang or fall with the sound device; the night does
not. `apart/kept.py` keeps it.
"""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, Final

from stagectl.apart.kept import Kept, Program
from stagectl.apart.pipes import line
from stagectl.tracks.song import SongTrack, SoundDevice
from stagectl.tracks.sound.orders import KEPT_MAX, LINE_MAX, plain_device, plain_track

PROGRAM: Final = Program(
    module="stagectl.tracks.sound.process",
    name="the built-in player",
    cannot="the built-in player cannot be started",
    line_max=LINE_MAX,
    again_s=2.0,
    ends_s=0.8,
)

ORDERS_MAX: Final = 1_000_000
"""Bytes of orders that may wait for the pipe; what comes on top is lost, counted and said."""


@dataclass(frozen=True, kw_only=True)
class SoundHeard:
    """What a built-in player has to say, each called in the loop's thread.

    `changed`: whether it is here, and a sentence, said once for each coming and going. `said`: the position that is
    heard, ns, at a monotonic time, ns, and whether it goes on from there; the first says when the first frame is heard,
    the last (with False) where it was stopped, which is where to go on; that time may be a little ahead of now.
    `ended`: a song has been heard to its end. `ready`: it can be started; its length after the count-in, ns. `unready`:
    it cannot be made ready, and why. `failed`: it was not started, and why. `trouble`: anything else worth telling.
    """

    changed: Callable[[bool, str], None]
    said: Callable[[int, int, bool], None]
    ended: Callable[[int], None]
    ready: Callable[[int, int], None]
    unready: Callable[[int, str], None]
    failed: Callable[[int, str], None]
    trouble: Callable[[str], None]


class SoundPlayer(Kept):
    """A built-in player, made in the loop. `tracks`: by song. Orders never block and never raise, and what there is to
    say of one is said after it, never meanwhile."""

    def __init__(self, device: SoundDevice, tracks: Mapping[int, SongTrack], heard: SoundHeard) -> None:
        super().__init__(PROGRAM, heard.changed, heard.trouble)
        self.lost = 0
        """Orders that could not be given."""
        self._loop = asyncio.get_running_loop()
        self._device = device
        self._tracks = tracks
        self._heard = heard
        self._wanted: tuple[int, ...] = ()
        self._turn = 0
        self._halted = True
        """It was told to fall silent since the last start: what it said before of going on is of no use any more."""
        self._runs: tuple[int, int] | None = None
        """The position said last and its time, while something plays."""
        self._starting: int | None = None
        """The song that was asked for, while nothing has been said of it."""

    # -- orders -----------------------------------------------------------------------------------------------

    def prepare(self, songs: Sequence[int]) -> None:
        """Keep these songs ready, the first first, and drop all others; songs without a track are passed over."""
        self._wanted = tuple(song for song in dict.fromkeys(songs) if song in self._tracks)[:KEPT_MAX]
        self._keep()

    def start(self, song: int, position: int) -> None:
        """Play a song from a position, ns; its count-in is before 0. What plays is faded out."""
        self._turn += 1
        self._halted, self._runs, self._starting = False, None, None
        if song not in self._tracks:
            self._soon(self._heard.failed, song, f"song {song} has no track for the built-in player")
        elif not self.here or not self._order(
            do="start", turn=self._turn, song=song, position=position, asked=time.monotonic_ns()
        ):
            says = f"{self._tracks[song].name} is not started: the built-in player is not here"
            self._soon(self._heard.failed, song, says)
        else:
            self._starting = song

    def pause(self) -> None:
        """Fade out. `said` says where to go on."""
        self._halted = self._order(do="pause")

    def stop(self) -> None:
        """Fade out."""
        self._halted = self._order(do="stop")

    def close(self) -> None:
        """Let it end: it fades out. `forever` then returns."""
        self._close()

    def _keep(self) -> None:
        if self.here:
            self._order(do="keep", songs=[plain_track(self._tracks[song]) for song in self._wanted])

    def _order(self, **order: Any) -> bool:
        """Give an order, if the pipe takes it."""
        pipe = self._pipe
        if pipe is None or pipe.is_closing():
            return False
        if pipe.transport.get_write_buffer_size() > ORDERS_MAX:
            self.lost += 1
            self._soon(self._say_once, "the built-in player takes no orders: it hangs, or is too busy")
            return False
        pipe.write(line(order))
        return True

    def _soon(self, call: Callable[..., None], *values: Any) -> None:
        # The loop may have ended: the night is over, and nobody listens.
        with suppress(RuntimeError):
            self._loop.call_soon(call, *values)

    # -- its process ------------------------------------------------------------------------------------------

    def _first(self) -> bytes:
        return line({"do": "open", "device": plain_device(self._device)})

    def _gone(self, reason: str) -> None:
        if self._runs is not None:
            position, at = self._runs
            now = time.monotonic_ns()
            self._runs = None
            self._heard.said(position + max(0, now - at), now, False)
        if self._starting is not None:
            song, self._starting = self._starting, None
            self._heard.failed(song, f"{self._tracks[song].name} is not started: {reason}")

    # -- what it says -----------------------------------------------------------------------------------------

    def _hear(self, text: bytes) -> None:
        told = json.loads(text)
        match told["is"]:
            case "here":
                self._is_here(_whereabouts(told))
                self._keep()
            case "said" if told["turn"] == self._turn:
                position, at, runs = int(told["position"]), int(told["at"]), bool(told["runs"])
                if runs and self._halted:
                    return
                self._runs, self._starting = (position, at) if runs else None, None
                self._heard.said(position, at, runs)
            case "ended" if told["turn"] == self._turn:
                self._runs = None
                self._heard.ended(int(told["song"]))
            case "ready":
                self._heard.ready(int(told["song"]), int(told["length"]))
                for note in told["notes"]:
                    self._say_once(str(note))
            case "unready":
                self._heard.unready(int(told["song"]), str(told["text"]))
            case "failed" if told["turn"] == self._turn:
                self._starting = None
                self._heard.failed(int(told["song"]), str(told["text"]))
            case "trouble":
                self._heard.trouble(str(told["text"]))
            case "gone":
                self._reason = str(told["text"])


def _whereabouts(told: dict[str, Any]) -> str:
    return (
        f"the built-in player is at `{told['device']}`: {told['rate']:,} frames a second, {told['frames']} a buffer, "
        f"{told['latency'] / 1e6:.1f} ms to the output"
    )
