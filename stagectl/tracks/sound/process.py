"""The built-in player's process: `python -m stagectl.tracks.sound.process`. Orders come in on standard input, events go
out on standard output (`orders.py`).

One loop does everything: it waits for orders, and in between looks after what plays. Whoever may keep it waiting has a
thread: standard input, standard output, and each song that is made ready. It ends when standard input ends, whatever
else happens; when the device has gone it says so and ends at once, since closing a stream on a dead server may never
return.
"""

from __future__ import annotations

import faulthandler
import os
import queue
import signal
import threading
import time
from contextlib import suppress
from typing import TYPE_CHECKING, Any, Final, NoReturn

from stagectl.apart.pipes import ENDED, NONSENSE, WAITING_MAX, Out, own_output
from stagectl.errors import DeviceError
from stagectl.tracks.sound.inbox import read_orders
from stagectl.tracks.sound.needed import library
from stagectl.tracks.sound.orders import device_from, track_from

if TYPE_CHECKING:
    from stagectl.tracks.sound.playing import Playing
    from stagectl.tracks.sound.shelf import Making

STARTING_S: Final = 0.000_5
"""Between two looks while the first frame of a start has not been taken, s."""

LOOK_S: Final = 0.01
"""Between two looks while something plays, s."""

IDLE_S: Final = 0.05
"""And while nothing plays."""

SAY_NS: Final = 200_000_000
"""Between two sayings of the position, ns."""

SAY_SOON_NS: Final = 150_000_000
"""After the first saying, by when the position is known better, ns."""

WARM_S: Final = 5.0
"""How often the beginnings of the songs are looked at, s."""

LEAVING_MAX: Final = 16
"""Playings that may be fading out at once."""

HANGS_S: Final = 6
"""How long the loop may do nothing before the process is ended, s; opening a device may take `OPENING_S`."""

OPENING_S: Final = 20

NICE: Final = -10
"""The process goes before others by so much, where it may (POSIX: nice): it does little, and that in time."""

GONE, FAULT = 3, 1
"""Exit codes: the device has gone, or cannot be had; a fault of ours. Where standard input has ended it is `ENDED`."""


class _Player:
    """The songs, what plays, and what leaves."""

    def __init__(self, wants: dict[str, Any], out: Out, inbox: queue.Queue[Any]) -> None:
        from stagectl.tracks.sound.mixer import Device
        from stagectl.tracks.sound.shelf import Shelf

        self._out = out
        self._device = Device(device_from(wants))
        self._shelf = Shelf(self._device.rate, self._device.outputs, inbox.put)
        self._playing: Playing | None = None
        self._leaving: list[Playing] = []
        self._say_at = self._warm_at = 0
        device = self._device
        out.say("here", device=device.name, rate=device.rate, frames=device.frames, latency=device.latency)
        if device.note is not None:
            out.say("trouble", text=device.note)

    @property
    def wait_s(self) -> float:
        """How long the next look can wait."""
        if self._playing is None:
            return LOOK_S if self._leaving else IDLE_S
        return STARTING_S if self._playing.ear.first is None else LOOK_S

    # -- orders -----------------------------------------------------------------------------------------------

    def take(self, order: dict[str, Any]) -> None:
        """Do what is asked for. Raises DeviceError when the device has gone, and `NONSENSE` where an order makes no
        sense."""
        match order["do"]:
            case "start":
                asked = int(order.get("asked", time.monotonic_ns()))
                self._start(int(order["turn"]), int(order["song"]), int(order["position"]), asked)
            case "pause" | "stop":
                self._leave()
            case "keep":
                self._shelf.keep([track_from(track) for track in order["songs"]])
            case unknown:
                raise ValueError(f"no such order: {unknown}")

    def _start(self, turn: int, song: int, position: int, asked: int) -> None:
        from stagectl.tracks.sound.click import frames_of
        from stagectl.tracks.sound.playing import Playing

        self._leave()
        ready = self._shelf.get(song)
        if isinstance(ready, str):
            self._out.say("failed", turn=turn, song=song, text=ready)
            return
        frame = ready.lead + frames_of(position, self._device.rate) if position != -ready.track.lead else 0
        if not 0 <= frame < len(ready.frames):
            self._out.say(
                "failed", turn=turn, song=song, text=f"{ready.track.name} has no place {position / 1e9:.3f} s"
            )
            return
        if len(self._leaving) >= LEAVING_MAX:
            self._out.say("failed", turn=turn, song=song, text=f"{ready.track.name} was started too often at once")
            return
        self._playing = Playing(self._device, ready, turn, frame, asked)
        self._say_at = 0

    def _leave(self) -> None:
        """Fade out what plays, and say where."""
        playing, self._playing = self._playing, None
        if playing is not None:
            playing.look()
            frame, at = playing.fade_out()
            self._leaving.append(playing)
            self._say(playing, playing.position(frame), at, runs=False)
            self._tell_lost(playing)

    def made(self, making: Making) -> None:
        """A song was made ready, or could not be."""
        song = making.track.song
        found = self._shelf.made(making)
        if isinstance(found, str):
            self._out.say("unready", song=song, text=found)
        elif found is not None:
            length = (len(found.frames) - found.lead) * 1_000_000_000 // self._device.rate
            self._out.say("ready", song=song, length=length, notes=found.notes)

    # -- looking after what plays -----------------------------------------------------------------------------

    def look(self) -> None:
        """To be called again and again. Raises DeviceError when the device has gone."""
        self._device.beat()
        for leaving in self._leaving:
            leaving.look()
        self._leaving = [leaving for leaving in self._leaving if not leaving.over]
        now = time.monotonic_ns()
        if self._playing is None:
            if now >= self._warm_at:
                self._shelf.warm()
                self._warm_at = now + round(WARM_S * 1e9)
            return
        self._look_at(self._playing, now)

    def _look_at(self, playing: Playing, now: int) -> None:
        playing.look()
        ends = playing.ends
        if playing.over and (ends is None or now >= ends):
            self._playing = None
            self._say(playing, playing.position(len(playing.ready.frames)), ends or now, runs=False)
            self._out.say("ended", turn=playing.turn, song=playing.ready.track.song)
            self._tell_lost(playing)
        elif now >= self._say_at and (heard := playing.heard()) is not None:
            self._say(playing, *heard, runs=True)
            self._say_at = now + (SAY_NS if self._say_at else SAY_SOON_NS)

    def _say(self, playing: Playing, position: int, at: int, *, runs: bool) -> None:
        song = playing.ready.track.song
        self._out.say("said", turn=playing.turn, song=song, position=position, at=at, runs=runs)

    def _tell_lost(self, playing: Playing) -> None:
        name = playing.ready.track.name
        if playing.lost:
            text = f"the sound device was late {_times(playing.lost)} while {name} played: some of it may be lost"
            self._out.say("trouble", text=text)
        if playing.stuttered:
            text = f"{name} stuttered {_times(playing.stuttered)}: this machine was too busy to play it"
            self._out.say("trouble", text=text)

    def close(self) -> None:
        """Fade out, as far as there is time."""
        self._shelf.close()
        with suppress(DeviceError):
            self._leave()
            limit = time.monotonic() + 0.3
            while self._leaving and time.monotonic() < limit:
                self.look()
                time.sleep(STARTING_S)


def _times(number: int) -> str:
    return "once" if number == 1 else f"{number} times"


def main() -> NoReturn:
    """Play until standard input ends."""
    # Ctrl-C at a terminal is for the daemon, which then closes our standard input.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if hasattr(os, "setpriority"):
        with suppress(OSError):
            os.setpriority(os.PRIO_PROCESS, 0, NICE)
    out = Out(own_output())
    inbox: queue.Queue[Any] = queue.Queue(WAITING_MAX)
    opened = threading.Event()
    threading.Thread(target=read_orders, args=(inbox, opened), daemon=True).start()
    code = FAULT
    try:
        code = _run(out, inbox, opened)
    except DeviceError as error:
        out.say("gone", text=str(error))
        code = GONE
    except Exception as error:  # noqa: BLE001 - whatever it is, the daemon is told, and starts us again
        out.say("gone", text=f"a fault of the player: {type(error).__name__}: {error}")
    out.end()
    # No tidy end: closing a stream on a server that is dead may never return.
    os._exit(code)


def _run(out: Out, inbox: queue.Queue[Any], opened: threading.Event) -> int:
    faulthandler.dump_traceback_later(OPENING_S, exit=True)
    first = inbox.get()
    if first is None:
        return ENDED
    library("numpy")
    player = _Player(first["device"], out, inbox)
    opened.set()
    watched = 0.0
    while True:
        now = time.monotonic()
        if now - watched > 1:
            # Whatever the loop may hang in, if only a dead server, this ends the process.
            watched = now
            faulthandler.dump_traceback_later(HANGS_S, exit=True)
        try:
            order = inbox.get(timeout=player.wait_s)
        except queue.Empty:
            player.look()
            continue
        if order is None:
            player.close()
            return ENDED
        if isinstance(order, dict):
            try:
                player.take(order)
            except NONSENSE as error:
                out.say("trouble", text=f"an order made no sense to the player: {type(error).__name__}: {error}")
        else:
            player.made(order)
        player.look()


if __name__ == "__main__":
    main()
