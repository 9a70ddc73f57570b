"""The daemon's end of the built-in player: it keeps a process that plays, tells it what to do, and hears what it says.

The process is another one because its libraries are large and may hang or fall with the sound device; the night does
not. It is started again, `AGAIN_S` after it ended, for as long as the night lasts. It ends with the daemon in every
case, since its standard input then ends. In a session of its own, Ctrl-C at a terminal does not reach it.
"""

from __future__ import annotations

import asyncio
import json
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, Final

from stagectl.tracks.song import SongTrack, SoundDevice
from stagectl.tracks.sound.orders import KEPT_MAX, LINE_MAX, line, plain_device, plain_track

AGAIN_S: Final = 2.0
AGAIN_MAX_S: Final = 16.0
"""How long after its end the process is started again, s; longer and longer where it did not come at all."""

ENDS_S: Final = 0.8
"""How long it has for its end before it is killed, s."""

ORDERS_MAX: Final = 1_000_000
"""Bytes of orders that may wait for the pipe; what comes on top is lost, counted and said."""

COMMAND: Final = (sys.executable, "-m", "stagectl.tracks.sound.process")


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


class SoundPlayer:
    """A built-in player, made in the loop. `tracks`: by song. Orders never block and never raise, and what there is to
    say of one is said after it, never meanwhile."""

    def __init__(self, device: SoundDevice, tracks: Mapping[int, SongTrack], heard: SoundHeard) -> None:
        self.here = False
        self.lost = 0
        """Orders that could not be given."""
        self._loop = asyncio.get_running_loop()
        self._device = device
        self._tracks = tracks
        self._heard = heard
        self._wanted: tuple[int, ...] = ()
        self._pipe: asyncio.StreamWriter | None = None
        self._turn = 0
        self._halted = True
        """It was told to fall silent since the last start: what it said before of going on is of no use any more."""
        self._runs: tuple[int, int] | None = None
        """The position said last and its time, while something plays."""
        self._starting: int | None = None
        """The song that was asked for, while nothing has been said of it."""
        self._told: set[str] = set()
        self._absent: str | None = None
        self._closed = self._came = False

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
        self._closed = True
        self.here = False
        if self._pipe is not None:
            self._pipe.close()

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

    async def forever(self) -> None:
        """Keep the process, until `close`, or until cancelled."""
        wait_s = AGAIN_S
        while not self._closed:
            self._came = False
            await self._live()
            # One that never came is looked for less and less often: each try loads its libraries anew.
            wait_s = AGAIN_S if self._came else min(2 * wait_s, AGAIN_MAX_S)
            if not self._closed:
                await asyncio.sleep(wait_s)

    async def _live(self) -> None:
        """One life of the process."""
        try:
            process = await asyncio.create_subprocess_exec(
                *COMMAND,
                stdin=asyncio.subprocess.PIPE,
                stdout=asyncio.subprocess.PIPE,
                stderr=asyncio.subprocess.DEVNULL,
                limit=LINE_MAX,
                start_new_session=True,
            )
        except OSError as error:
            self._went(f"the built-in player cannot be started: {error.strerror}")
            return
        assert process.stdin is not None
        assert process.stdout is not None
        self._pipe, reason = process.stdin, None
        try:
            self._order(do="open", device=plain_device(self._device))
            while event := await _line(process.stdout):
                try:
                    told = json.loads(event)
                    if told["is"] == "gone":
                        reason = str(told["text"])
                    else:
                        self._hear(told)
                except Exception as error:  # noqa: BLE001 - what one line meets ends no sound
                    self._say_once(f"the built-in player said something odd: {type(error).__name__}: {error}")
        finally:
            self._pipe = None
            await _ended(process)
            if not self._closed:
                self._went(reason or f"the built-in player has ended ({process.returncode})")

    def _went(self, reason: str) -> None:
        """The process is gone, or could not come. It is said once, until it is here again."""
        was_here, self.here = self.here, False
        if self._runs is not None:
            position, at = self._runs
            now = time.monotonic_ns()
            self._runs = None
            self._heard.said(position + max(0, now - at), now, False)
        if self._starting is not None:
            song, self._starting = self._starting, None
            self._heard.failed(song, f"{self._tracks[song].name} is not started: {reason}")
        if was_here or reason != self._absent:
            self._absent = reason
            self._heard.changed(False, reason)

    # -- what it says -----------------------------------------------------------------------------------------

    def _hear(self, told: dict[str, Any]) -> None:
        match told["is"]:
            case "here":
                self.here, self._came, self._absent = True, True, None
                self._told.clear()
                self._heard.changed(True, _whereabouts(told))
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

    def _say_once(self, sentence: str) -> None:
        if sentence not in self._told:
            self._told.add(sentence)
            self._heard.trouble(sentence)


def _whereabouts(told: dict[str, Any]) -> str:
    return (
        f"the built-in player is at `{told['device']}`: {told['rate']:,} frames a second, {told['frames']} a buffer, "
        f"{told['latency'] / 1e6:.1f} ms to the output"
    )


async def _line(reader: asyncio.StreamReader) -> bytes:
    """The next line; empty at the end."""
    while True:
        with suppress(ValueError):
            # A line that is too long is passed over.
            return await reader.readline()


async def _ended(process: asyncio.subprocess.Process) -> None:
    """Let the process end, or make it."""
    assert process.stdin is not None
    process.stdin.close()
    try:
        await asyncio.wait_for(process.wait(), ENDS_S)
    except TimeoutError:
        with suppress(ProcessLookupError):
            process.kill()
        await process.wait()
