"""A JACK server with no sound card, the player's process on it, and the judge who listens."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, Final

import numpy as np
import soundfile
from jack import may_be_urgent
from jackd import jackd
from lines import Program
from needs import needs
from numpy.typing import NDArray

from stagectl.apart.pipes import line
from stagectl.tracks.song import SongTrack, SoundDevice, Stem
from stagectl.tracks.sound.orders import plain_device, plain_track

SERVER: Final = os.environ.get("JACK_DEFAULT_SERVER", "default") + "-stems"
RATE: Final = 48_000
OUTPUTS: Final = 4
FRAMES: Final = 512
"""A long period: with no real-time priority a short one is often late."""

TAKES_MAX: Final = 6
"""A take in which JACK was late says nothing: it is made again, so often."""

S: Final = 1_000_000_000

PLAYER: Final = (sys.executable, "-m", "stagectl.tracks.sound.process")
JUDGE: Final = (sys.executable, str(Path(__file__).with_name("jack_ear.py")))


@contextmanager
def jack_server(
    frames: int = FRAMES, *, realtime: bool | None = None, name: str = SERVER
) -> Iterator[subprocess.Popen[bytes]]:
    """A server of our own with eight outputs; whatever runs in this process and below it uses it. Where nothing is said
    of it, it has real-time priority if it may: a take in which it was late is lost."""
    needs("jackd", "jack_wait", "jack_lsp")
    before = {key: os.environ.get(key) for key in ("JACK_DEFAULT_SERVER", "JACK_NO_START_SERVER")}
    os.environ.update(JACK_DEFAULT_SERVER=name, JACK_NO_START_SERVER="1")
    try:
        urgent = may_be_urgent() if realtime is None else realtime
        with jackd(name, frames=frames, rate=RATE, realtime=urgent, waits=False, more=("-P", "8")) as process:
            yield process
            # A server that is told to end while it still tidies up behind a client takes seconds for it.
            limit = time.monotonic() + 3
            while process.poll() is None and clients() and time.monotonic() < limit:
                pass
    finally:
        for key, value in before.items():
            if value is None:
                del os.environ[key]
            else:
                os.environ[key] = value


def clients() -> set[str]:
    """Who has ports on the server, beside itself."""
    listed = subprocess.run(("jack_lsp",), capture_output=True, text=True, check=False).stdout
    return {port.partition(":")[0] for port in listed.splitlines() if ":" in port} - {"system"}


class Player(Program):
    """The player's process."""

    def __init__(self, device: SoundDevice) -> None:
        super().__init__(PLAYER)
        self.turn = 0
        self.seen: list[dict[str, Any]] = []
        self.order(do="open", device=plain_device(device))

    def order(self, **order: Any) -> None:
        """Give an order."""
        self.say(line(order).decode().rstrip("\n"))

    def event(self, what: str, **wanted: Any) -> dict[str, Any]:
        """The next event of a sort, with these values."""
        while True:
            told: dict[str, Any] = json.loads(self.line())
            self.seen.append(told)
            if told["is"] == what and wanted.items() <= told.items():
                return told

    def keep(self, *tracks: SongTrack) -> list[dict[str, Any]]:
        """Have songs made ready, and wait for that."""
        self.order(do="keep", songs=[plain_track(track) for track in tracks])
        return [self.event("ready", song=track.song) for track in tracks]

    def start(self, song: int, position: int = 0) -> dict[str, Any]:
        """Start one, and wait until it is said when it is heard."""
        self.turn += 1
        self.order(do="start", turn=self.turn, song=song, position=position)
        return self.event("said", turn=self.turn)


@contextmanager
def player(device: SoundDevice | None = None) -> Iterator[Player]:
    """The process, on the device."""
    process = Player(device or SoundDevice(outputs=OUTPUTS))
    try:
        yield process
    finally:
        # A client that leaves by itself keeps the server waiting for less.
        with suppress(OSError, ValueError, subprocess.TimeoutExpired):
            assert process.process.stdin is not None
            process.process.stdin.close()
            process.process.wait(1)
        process.close()


class Take:
    """What the judge wrote down: frames × outputs, from cycles that follow one another."""

    def __init__(self, path: Path) -> None:
        with np.load(path) as kept:
            self.samples: NDArray[np.float32] = kept["samples"]
            self.block = int(kept["block"])
            self.latency = int(kept["latency"])
            self.cycles: NDArray[np.int64] = kept["firsts"].astype(np.int64)
            """The first frame of each cycle, by JACK's own count."""
            self.missed = int((np.diff(self.cycles) != self.block).sum())
            """How often it missed cycles itself."""
            self.late = int(kept["late"]) + self.missed
            self._pairs = kept["pairs"][kept["pairs"][:, 2] < 1_000_000]

    def heard_at(self, frame: int) -> int:
        """When a recorded frame is at the converter, monotonic ns, by JACK: when its cycle counts the frame, and the
        latency that it says of the port."""
        return self.cycle_at(frame) + self.latency * S // RATE

    def cycle_at(self, frame: int) -> int:
        """When JACK counts a recorded frame, monotonic ns."""
        frames, times = self._pairs[:, 0] - self.cycles[0], self._pairs[:, 1]
        counted = int(self.cycles[frame // self.block] - self.cycles[0]) + frame % self.block
        if self.late:
            # Its count then stands still, or jumps, now and then.
            return round(float(np.interp(counted, frames, times - times[0]))) + int(times[0])
        # A reading of its count is off by a little: a line through all of them is nearer the truth.
        slope, offset = np.polyfit(frames, (times - times[0]).astype(float), 1)
        return int(times[0]) + round(float(offset + counted * slope))

    def begins(self, output: int = 0, after: int = 0) -> int:
        """The first frame that sounds on an output, from 0."""
        sounds = np.flatnonzero(self.samples[after:, output])
        assert len(sounds), f"output {output} is silent"
        return after + int(sounds[0])


def takes(process: Player, act: Callable[[], None], folder: Path, seconds: float = 20) -> Take:
    """Record what the player's outputs say while `act` goes on; again where JACK was late in it."""
    late = []
    for number in range(TAKES_MAX):
        path = folder / f"take{number}.npz"
        judge = Program([*JUDGE, str(seconds), str(path), *(f"PortAudio:out_{at}" for at in range(OUTPUTS))])
        try:
            assert judge.line() == "ready"
            act()
            judge.say("")
            assert judge.line() == "written"
        finally:
            judge.close()
        take = Take(path)
        if not take.late:
            return take
        late.append(take.late)
    raise AssertionError(f"in {TAKES_MAX} takes, JACK was late {late} times")


def stem(path: Path, samples: NDArray[np.floating], outputs: Sequence[int], rate: int = RATE) -> Stem:
    """A stem of exact samples."""
    soundfile.write(path, samples, rate, subtype="FLOAT", format="WAV")
    return Stem(path=str(path), outputs=tuple(outputs))
