"""How steady the MIDI clock is, beside a bare loop in the same run. Run by hand: `python tests/bench_clock.py`.

The process of an output (`stagectl/tracks/pulse/process.py`) and a bare loop (`while: sleep; send F8`) each send a MIDI
clock through a JACK server of their own with no sound card. A client hears both, and stamps each clock with the
monotonic time of the period in which it arrives (`clock_ear.py`). What is compared is that stamp with the time at which
the tempo map, or the loop, has the clock. A clock waits up to a period for the next one to begin, whoever sends it.

- late: from the ideal time to the stamp. 50th and 99th percentile, most, ms
- apart: the distance of two clocks less the ideal one, the same of its absolute value
- drift: how much faster (+) or slower (−) the clocks come than they should, by least squares, parts per million

A clock that JACK loses on a busy machine is counted as lost. JACK has real-time priority where the system gives it, as
on the night; with `--usual-priority`, and where it may not, what is measured on a busy machine is how late JACK is.

A third line, in a run of its own: where the track is comes in five times a second, up to 1 ms wrong, from a sound card
that runs 100 parts per million fast. Ideal is then where the track truly is.

It prints figures and judges nothing.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import subprocess
import sys
import threading
import time
from collections.abc import Sequence
from contextlib import ExitStack
from fractions import Fraction
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np
from jackd import jackd
from lines import Program, running

from stagectl.core.tempo import BarChange, TempoMap, by_bars

SERVER: Final = "bench-clock"
EAR: Final = "bench-ear"
OURS, OTHER = "ours", "other"

RATE: Final = 48_000

SOON_NS: Final = 500_000_000
"""The track begins so long after it is told."""

CARD_PPM: Final = 100
REPORT_S: Final = 0.2
WRONG_NS: Final = 1_000_000

BARE: Final = """
import sys, time, rtmidi
out = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name="bare")
out.open_port(out.get_ports().index(sys.argv[1]))
print("ready", flush=True)
for due in map(int, sys.stdin.readline().split()):
    left = due - time.monotonic_ns()
    if left > 0:
        time.sleep(left / 1e9)
    out.send_message(b"\\xf8")
sys.stdin.readline()
"""


class Figures(NamedTuple):
    """Of one row of clocks: how many came, how many did not; ms, and parts per million."""

    came: int
    lost: int
    late: tuple[float, float, float]
    apart: tuple[float, float, float]
    drift: float


def figures(stamps: Sequence[int], ideal: Sequence[int]) -> Figures:
    """Each stamp belongs to the clock that is nearest to it, but for what all are late by."""
    times, came = np.asarray(ideal), np.asarray(stamps)
    usual = np.median(came - times[np.searchsorted(times, came, side="right") - 1])
    ends = np.append(times[:-1] + np.diff(times) // 2, times[-1] + (times[-1] - times[-2]) // 2)
    # Clocks that come after the end of what is looked at are left out.
    came = came[came - usual < ends[-1]]
    at = np.searchsorted(ends, came - usual)
    late = (came - times[at]) / 1e6
    slope = np.polyfit((times[at] - times[0]) / 1e9, late / 1e3, 1)[0]
    apart = np.abs(np.diff(late)[np.diff(at) == 1])
    return Figures(len(came), len(ideal) - len(set(at.tolist())), _three(late), _three(apart), -float(slope) * 1e6)


def _three(values: Any) -> tuple[float, float, float]:
    p50, p99 = np.percentile(values, (50, 99))
    return float(p50), float(p99), float(np.max(values))


HEAD: Final = f"  {'':<22}{'came':>7}{'lost':>6}   {'late: p50, p99, max':<26}{'apart: p50, p99, max':<26}{'drift':>7}"


def row(name: str, of: Figures) -> str:
    """A line of the table."""
    late, apart = ("".join(f"{value:8.3f}" for value in three) for three in (of.late, of.apart))
    return f"  {name:<22}{of.came:>7}{of.lost:>6}{late}  {apart}  {of.drift:+9.2f}"


def tell(program: Program, what: dict[str, Any]) -> None:
    """An order for the process of an output."""
    program.say(json.dumps(what))


def reports(program: Program, zero: int, ends: int) -> None:
    """Where the track is, as its sound card has it, until it ends."""
    dice, nobody = random.Random(1), threading.Event()
    while (now := time.monotonic_ns()) < ends:
        true = zero - max(0, now - zero) * CARD_PPM // 1_000_000
        tell(program, {"moved": true + dice.randint(-WRONG_NS, WRONG_NS)})
        nobody.wait(REPORT_S)


def clocks(tempo: TempoMap, seconds: float) -> list[int]:
    """The positions of all clocks of a track."""
    return [tempo.at_clock(clock) for clock in range(tempo.clock_from(round(seconds * 1e9)))]


def run(tempo: TempoMap, seconds: float, moves: bool) -> None:
    """One run; its lines."""
    ear_code = str(Path(__file__).parent / "clock_ear.py")
    with ExitStack() as stack:
        ear = stack.enter_context(running(sys.executable, "-P", ear_code, EAR, OURS, OTHER))
        ear.until("ready".__eq__)
        ours = stack.enter_context(running(sys.executable, "-m", "stagectl.tracks.pulse.process"))
        tell(ours, {"port": f"{EAR}:{OURS}", "api": "jack", "clock": True, "time_code": None})
        ours.until(lambda line: "here" in line)
        bare = stack.enter_context(running(sys.executable, "-c", BARE, f"{EAR}:{OTHER}"))
        bare.until("ready".__eq__)
        zero = time.monotonic_ns() + SOON_NS
        positions = clocks(tempo, seconds)
        tell(ours, {"run": {"tempo": tempo.plain(), "zero": zero, "position": 0}})
        bare.say(" ".join(str(zero + position) for position in positions))
        ends = zero + round(seconds * 1e9)
        if moves:
            reports(ours, zero, ends)
        threading.Event().wait(max(0, ends - time.monotonic_ns()) / 1e9)
        tell(ours, {"halt": True})
        ear.say("enough")
        heard = json.loads(ear.until(lambda line: "stamps" in line))
        bare.say("enough")
        for program in (ours, bare, ear):
            assert program.process.stdin is not None
            program.process.stdin.close()
            program.process.wait(10)
        counts = [said for said in map(json.loads, ours.rest()) if "sent" in said]
    true = [zero + (p - p * CARD_PPM // (1_000_000 + CARD_PPM) if moves else p) for p in positions]
    print(row("with reports" if moves else "stagectl", figures(heard["stamps"][OURS], true)))
    if not moves:
        print(row("bare loop", figures(heard["stamps"][OTHER], [zero + p for p in positions])))
    late, worst = sum(said["late"] for said in counts), max(said["worst"] for said in counts) / 1e6
    print(
        f"  JACK was late {heard['late_periods']} times; the process says of itself that {late} left late, "
        f"by up to {worst:.3f} ms"
    )
    sys.stdout.flush()


def main(arguments: Any = None) -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=5)
    parser.add_argument("--tempo", type=Fraction, default=Fraction(120))
    parser.add_argument("--frames", type=int, nargs="*", default=(64, 128))
    parser.add_argument("--usual-priority", action="store_true")
    given = parser.parse_args(arguments)
    os.environ.update(JACK_DEFAULT_SERVER=SERVER, JACK_NO_START_SERVER="1")
    urgent = not given.usual_priority and may_be_urgent()
    tempo = by_bars([BarChange(1, given.tempo)])
    for frames in given.frames:
        with jackd(SERVER, frames=frames, rate=RATE, realtime=urgent):
            print(
                f"MIDI clock at {given.tempo} a minute, {given.minutes} minutes, "
                f"JACK {'with' if urgent else 'without'} real-time priority, a period is {1e3 * frames / RATE:.2f} ms"
            )
            print(HEAD)
            run(tempo, given.minutes * 60, moves=False)
            run(tempo, given.minutes * 60, moves=True)


def may_be_urgent() -> bool:
    """Whether this system gives us real-time priority."""
    code = "import os; os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(1))"
    return subprocess.run((sys.executable, "-c", code), capture_output=True, check=False).returncode == 0


if __name__ == "__main__":
    main()
