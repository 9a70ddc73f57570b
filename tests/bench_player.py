"""The built-in player on JACK with no sound card, 128 frames a buffer. Run by hand: `python tests/bench_player.py`.

It prints figures and judges nothing. What they are, with what stands beside them:

- from the order to the first sample: over 100 starts, how long after the line was written to the player's pipe JACK's
  cycle with the first sample began, as a second client heard it. The bare way is one process that starts the same
  sound by rtmixer alone when a line comes.
- how far `said` is from that: when the player says that its first sample is heard, beside JACK's own count.
- sound lost: minutes of a ramp, in which every sample tells its number, while `stagectl rehearse` keeps the other core
  busy. Beside it, at the same time, the same ramp played by rtmixer alone, from memory and with no Python in the way.
  With no real-time permission JACK itself is late now and then: that is printed too. `--realtime` asks for it.
"""

from __future__ import annotations

import argparse
import random
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Final

import numpy as np
import soundfile

ROOT = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "tracks")]

from lines import Program  # noqa: E402
from numpy.typing import NDArray  # noqa: E402
from sound_stage import JUDGE, RATE, Take, jack_server, player  # noqa: E402

from stagectl.tracks.song import SongTrack, SoundDevice, Stem  # noqa: E402

FRAMES: Final = 128
STEP: Final = 2.0**-24
"""Between two samples of the ramp; it begins anew after 2^23 of them, at half of full scale."""

BARE: Final = """
import sys, numpy, rtmixer, sounddevice
samples = numpy.load(sys.argv[1])
mixer = rtmixer.Mixer(channels=1, samplerate=48000, blocksize=0, latency="low")
mixer.start()
print("ready", flush=True)
for line in sys.stdin:
    mixer.play_buffer(samples, [1])
"""


def ramp(frames: int) -> NDArray[np.float32]:
    """Samples that tell their number; never zero."""
    return ((np.arange(frames) % 2**23 + 1) * STEP).astype(np.float32)


def row(name: str, ns: Sequence[float]) -> str:
    """Median, spread and extremes, ms."""
    ordered = sorted(one / 1e6 for one in ns)
    p99 = ordered[min(len(ordered) - 1, int(len(ordered) * 0.99))]
    return (
        f"  {name:<12} min {ordered[0]:7.2f}   median {statistics.median(ordered):7.2f}   p99 {p99:7.2f}   "
        f"max {ordered[-1]:7.2f} ms   spread {(ordered[-1] - ordered[0]) * RATE / 1e3 / FRAMES:5.2f} buffers"
    )


@contextmanager
def listening(folder: Path, seconds: float, *ports: str) -> Iterator[Path]:
    """The judge listens meanwhile, and has written its file in the end."""
    path = folder / "take.npz"
    judge = Program([*JUDGE, str(seconds), str(path), *ports])
    try:
        assert judge.line() == "ready"
        yield path
        judge.say("")
        assert judge.line(60) == "written"
    finally:
        judge.close()


def starts(number: int) -> None:
    """How long a start takes, and how true is what is said of it."""
    with tempfile.TemporaryDirectory() as name, ExitStack() as stack:
        folder = Path(name)
        short = ramp(2_400)
        soundfile.write(folder / "short.wav", short, RATE, subtype="FLOAT")
        np.save(folder / "short.npy", short)
        ours = stack.enter_context(player(SoundDevice(outputs=1)))
        ours.event("here")
        ours.keep(SongTrack(song=1, name="short", stems=(Stem(path=str(folder / "short.wav"), outputs=(1,)),)))
        bare = Program([sys.executable, "-c", BARE, str(folder / "short.npy")])
        stack.callback(bare.close)
        assert bare.line() == "ready"
        chance = random.Random(1)
        ordered: dict[str, list[int]] = {"stagectl": [], "bare": []}
        said = []
        ports = ("PortAudio:out_0", "PortAudio-01:out_0")
        with listening(folder, number * 0.6 + 20, *ports) as path:
            for _ in range(number):
                time.sleep(chance.uniform(0.05, 0.06))
                ordered["stagectl"].append(time.monotonic_ns())
                said.append(ours.start(1)["at"])
                ours.event("ended")
                time.sleep(chance.uniform(0.05, 0.06))
                ordered["bare"].append(time.monotonic_ns())
                bare.say("")
                time.sleep(0.12)
        take = Take(path)
    print(f"order → first sample in JACK's cycle, {number} starts each, in turns; JACK was late {take.late} times")
    begins = {}
    for output, who in enumerate(ordered):
        sounds = np.flatnonzero(take.samples[:, output])
        begins[who] = [int(at) for at in sounds[np.diff(sounds, prepend=-RATE) > 480]]
        if len(begins[who]) != number:
            print(f"  {who}: {len(begins[who])} of {number} were heard; no figures")
            continue
        late = [take.cycle_at(at) - order for at, order in zip(begins[who], ordered[who], strict=True)]
        print(row(who, late))
    print(f"  and {take.latency * 1e3 / RATE:.2f} ms more to the converter, as JACK says")
    if len(begins["stagectl"]) == number:
        off = [at - take.heard_at(begin) for at, begin in zip(said, begins["stagectl"], strict=True)]
        print("first sample as it was said, less that of JACK's own count")
        print(row("stagectl", off))


def lost(minutes: float) -> None:
    """What is lost while the machine is busy."""
    with tempfile.TemporaryDirectory() as name, ExitStack() as stack:
        folder = Path(name)
        frames = round(minutes * 60 * RATE)
        long = ramp(frames)
        soundfile.write(folder / "long.wav", long, RATE, subtype="FLOAT")
        np.save(folder / "long.npy", long)
        ours = stack.enter_context(player(SoundDevice(outputs=1)))
        ours.event("here")
        ours.order(do="keep", songs=[])
        ours.keep(SongTrack(song=1, name="long", stems=(Stem(path=str(folder / "long.wav"), outputs=(1,)),)))
        bare = Program([sys.executable, "-c", BARE, str(folder / "long.npy")])
        stack.callback(bare.close)
        assert bare.line(30) == "ready"
        rehearsals, until = 0, time.monotonic() + minutes * 60
        with listening(folder, minutes * 60 + 30, "PortAudio:out_0", "PortAudio-01:out_0") as path:
            bare.say("")
            ours.start(1)
            while time.monotonic() < until:
                command = [sys.executable, "-m", "stagectl", "rehearse", str(ROOT / "setlists" / "nine-songs")]
                presses = ["--presses", str(ROOT / "setlists" / "nine-songs" / "presses.yaml")]
                subprocess.run([*command, *presses], stdout=subprocess.DEVNULL, cwd=ROOT, check=False)
                rehearsals += 1
            ours.event("ended")
        # An order that it does not know is answered after all that it has to say of the playing.
        ours.order(do="nothing")
        while "nothing" not in ours.event("trouble")["text"]:
            pass
        trouble = [one["text"] for one in ours.seen if one["is"] == "trouble"][:-1]
        take = Take(path)
    print(f"sound lost in {minutes:g} minutes, {FRAMES} frames a buffer, while {rehearsals} rehearsals ran one by one")
    print(f"  JACK says that it was late {take.late - take.missed} times; the judge missed cycles {take.missed} times")
    for output, who in enumerate(("stagectl", "bare")):
        print(f"  {who:<12} {losses(take, output)}")
    for text in trouble:
        print(f"  it said: {text}")


def losses(take: Take, output: int) -> str:
    """Each cycle has a block of the ramp. What its first sample tells, less JACK's count of the cycle, stays the same,
    whether or not the judge misses a cycle; where a buffer was late for its cycle, it is a block less from there on.
    Where the judge was called at the wrong moment, it is a block more or less for once; a block is torn where it was
    read while the client, late, still wrote it. All three come from JACK being late, and to the bare way as well."""
    blocks = take.samples[:, output].reshape(-1, take.block)
    sounds = np.flatnonzero((blocks != 0).all(axis=1))
    blocks = blocks[sounds[0] : sounds[-1] + 1]
    cycles = take.cycles[sounds[0] : sounds[-1] + 1]
    silent = int((blocks == 0).any(axis=1).sum())
    numbers = np.rint(blocks.astype(np.float64) / STEP).astype(np.int64)
    torn = int((np.diff(numbers, axis=1) % 2**23 != 1).any(axis=1).sum()) - silent
    moved = np.diff(numbers[:, 0] - cycles) % 2**23
    moved[moved >= 2**22] -= 2**23
    late = -int(moved.sum()) // take.block
    return (
        f"{len(blocks):7} buffers heard: {late:5} late for their cycle, {silent} silent, {torn} torn inside   "
        f"(moved {int((moved != 0).sum())} times)"
    )


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=1.0)
    parser.add_argument("--starts", type=int, default=100)
    parser.add_argument("--realtime", action="store_true", help="JACK and its clients with real-time priority")
    given = parser.parse_args()
    with jack_server(FRAMES, realtime=given.realtime, name="bench-stems"):
        starts(given.starts)
        lost(given.minutes)


if __name__ == "__main__":
    main()
