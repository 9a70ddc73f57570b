"""How late a section is that follows its track, live. Run by hand: `python tests/bench_sections.py [--nights 4]`.

The built-in player plays a track with a pulse where each section begins; `stagectl run` moves one level of the desk
there. A second JACK client (`track_ear.py`) stamps both with one clock. What a section should be in time with is what
is heard, and that is later than what the player hands over, by the latency that the device says: it is taken off. A
message waits for the next JACK period to begin, whoever sends it; a bare rtmidi client in the same run shows how long.
With no real-time priority JACK loses a message now and then: what has none near its pulse is counted as lost.

It prints figures and judges nothing.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import signal
import statistics
import sys
import tempfile
import time
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(ROOT), str(ROOT / "tests"), str(ROOT / "tests" / "live")]
os.environ["JACK_DEFAULT_SERVER"] = "bench-sections"

SECTIONS = 60
EVERY_S = 0.4
"""The sections of a song, and how far apart they are."""


def row(name: str, times: Sequence[float]) -> str:
    """Median, 99th percentile and maximum, ms."""
    ordered = sorted(times)
    p99 = ordered[min(len(ordered) - 1, int(len(ordered) * 0.99))]
    return (
        f"  {name:<34} {len(ordered):5}   median {statistics.median(ordered):7.2f}   p99 {p99:7.2f}   "
        f"least {ordered[0]:7.2f}   most {ordered[-1]:7.2f} ms"
    )


def bare(count: int) -> list[float]:
    """From handing a message to a bare rtmidi client until it is heard, ms."""
    import rtmidi
    from lines import running

    with running(sys.executable, "-P", str(ROOT / "tests" / "track_ear.py"), "bare") as ear:
        assert ear.line() == "ready"
        out = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name="bench")
        out.open_port(next(at for at, port in enumerate(out.get_ports()) if "bare" in port))
        time.sleep(0.5)
        sent = []
        for _ in range(count):
            time.sleep(0.05)
            sent.append(time.monotonic_ns())
            out.send_message([0xB0, 1, 1])
        time.sleep(0.2)
        ear.say("")
        heard = [at for at, _ in json.loads(ear.until(lambda line: line.startswith("{")))["changes"]]
        out.delete()
    return [(next(one for one in heard if one >= at) - at) / 1e6 for at in sent[: len(heard)]]


def night(folder: Path) -> list[float]:
    """How long after what is heard of its pulse each section was at the desk, ms."""
    import rtmidi
    from nights import playing
    from test_tracks_over_jack import ear, noted
    from tracked import write_show

    positions = [1 + at * EVERY_S for at in range(SECTIONS)]
    show = write_show(folder, positions, positions[-1] + 1)
    foot = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name="test foot")
    foot.open_virtual_port("out")
    with ear() as judge, playing(show, folder / "bench.night", "--midi-api", "jack") as daemon:
        latency = 0.0
        while "is ready to play" not in (line := daemon.line(20)):
            said = re.search(r"([\d.]+) ms to the output", line)
            latency = float(said[1]) if said else latency
        judge.until(lambda line: line == "heard")
        for value in (127, 0):
            foot.send_message([0xB0, 80, value])
        daemon.until(lambda line: "laptop: start" in line)
        while "the track has ended" not in (line := daemon.line(20)):
            if "sound was lost" in line:
                print(f"  {line.strip()}")
        found = noted(judge)
        daemon.process.send_signal(signal.SIGTERM)
        daemon.process.wait(10)
    foot.delete()
    changes = [at for at, _ in found["changes"]][1:]
    out = []
    for pulse in found["pulses"]:
        nearest = min(changes, key=lambda at: abs(at - pulse - latency * 1e6))
        off = (nearest - pulse) / 1e6 - latency
        if abs(off) < EVERY_S * 500:
            out.append(off)
    print(f"  {SECTIONS - len(out)} of {SECTIONS} lost by JACK")
    return out


def main(nights: int, frames: int, realtime: bool) -> None:
    """Play the nights, and tell."""
    from jack import running_jack

    with ExitStack() as stack:
        stack.enter_context(running_jack(frames, realtime=realtime))
        priority = "with" if realtime else "without"
        print(f"JACK's dummy driver, {frames} frames a period ({frames / 48:.2f} ms), {priority} real-time priority")
        print(row("a bare message", bare(200)))
        found: list[float] = []
        for at in range(nights):
            with tempfile.TemporaryDirectory() as folder:
                found += night(Path(folder))
                print(f"  night {at + 1}: {len(found)} sections so far", flush=True)
        print(row("a section, after it is heard", found))
        print(row("the same, either way", [abs(one) for one in found]))


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--nights", type=int, default=4)
    parser.add_argument("--frames", type=int, default=128)
    parser.add_argument("--realtime", action="store_true", help="JACK and its clients with real-time priority")
    arguments = parser.parse_args()
    os.environ.setdefault("JACK_NO_START_SERVER", "1")
    main(arguments.nights, arguments.frames, arguments.realtime)
