"""Lines of the table: starting up, and memory."""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Final

import bench_latency
from bench_latency import jack_night
from free_ports import free_port

from bench_parts import over_udp
from bench_parts.over_udp import osc_night, write_show
from bench_parts.press import MidiWire, Presser, UdpWire
from bench_parts.proc import Held, held, offspring, waiting, with_page
from bench_parts.program import WHOLE, drop, end, started
from bench_parts.size import Size
from bench_parts.table import Line, line, pair

TO_MB: Final = 1.024e-3
"""Of kB as the system counts them, 1,024 bytes."""

OSC: Final = ("OSC, without a page", "OSC, with its page", "of these, the page", "bare: Python")
MIDI: Final = ("MIDI over JACK", "bare: passes MIDI on")
"""What is looked at."""

SAYS: Final = "print('ready', flush=True)"
"""What a bare Python does, to be timed until its line as the program is."""


def _python(code: str) -> float:
    began = time.monotonic()
    with subprocess.Popen((sys.executable, "-c", code), stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        line = process.stdout.readline()
        took = time.monotonic() - began
    if line != b"ready\n":
        raise SystemExit(f"{code}: {process.wait()}")
    return took


def _program(folder: Path, *more: str) -> float:
    """From the start of the process to its line `ready`, s. The folder is its own, so nothing is taken up again."""
    began = time.monotonic()
    program = started(folder, *more)
    assert program.stdout is not None
    try:
        for line in program.stdout:
            if line.startswith("ready"):
                took = time.monotonic() - began
                if WHOLE not in line:
                    raise SystemExit(f"not everything is served: {line}")
                return took
        raise SystemExit("the program has ended, and was never ready")
    finally:
        drop(program.stdout)
        end(program)


def start_up(size: Size) -> list[Line]:
    """From the start of the process to `ready`, beside what Python and the MIDI library take alone; in turns."""
    desk, foot = UdpWire(), free_port()
    with ExitStack() as stack:
        stack.callback(desk.close)
        stack.callback(MidiWire("bench").close)
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        at = iter(range(10_000))

        def over_osc() -> float:
            show = folder / f"osc {next(at)}"
            write_show(show, desk.desk_port, foot)
            return _program(show)

        def over_jack() -> float:
            show = folder / f"jack {next(at)}"
            show.mkdir()
            bench_latency.write_show(show)
            return _program(show, "--midi-api", "jack")

        ways: dict[str, Callable[[], float]] = {
            "start → ready, MIDI over JACK": over_jack,
            "start → ready, OSC over UDP": over_osc,
            "bare: Python imports rtmidi, says a line": lambda: _python(f"import rtmidi; {SAYS}"),
            "bare: Python says a line": lambda: _python(SAYS),
        }
        found: dict[str, list[list[float]]] = {name: [] for name in ways}
        for run in range(size.runs + 1):
            for name, way in ways.items():
                took = way()
                if run:
                    found[name].append([took])
    jack, osc, rtmidi, python = found.items()
    return [*pair(jack, [rtmidi], "s", 1), *pair(osc, [python], "s", 1)]


def memory(size: Size) -> list[Line]:
    """What the live process holds after some presses: over OSC with its page and without it, beside a bare Python; over
    MIDI, beside a bare pass-through. What JACK shares with all of its clients is resident in each."""
    found: dict[str, list[Held]] = {name: [] for name in (*OSC, *MIDI)}
    for _ in range(max(2, size.runs // 3)):
        with ExitStack() as stack:
            for page in (False, True):
                folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
                wire, pid = stack.enter_context(osc_night(folder, page=page))
                _warm(Presser(wire, over_udp.nudging()), size)
                found[OSC[page]].append(_all(offspring(pid)))
            found[OSC[2]].append(held(with_page(pid)))
            found[OSC[3]].append(held(stack.enter_context(waiting("pass"))))
        with jack_night() as night:
            for presser in night.pressers.values():
                _warm(presser, size)
            for kind, pid in zip(MIDI, night.pids, strict=True):
                found[kind].append(_all(offspring(pid)))
    lines: list[Line] = []
    for name, of in (("resident", "rss"), ("shared by its part", "pss")):
        blocks = {kind: [[float(getattr(one, of))] for one in each] for kind, each in found.items()}
        for ours, bare in ((OSC[0], OSC[3]), (OSC[1], OSC[3]), MIDI):
            both = pair((f"memory, {name}: {ours}", blocks[ours]), [(bare, blocks[bare])], "MB", TO_MB)
            lines += both[:1] if ours == OSC[0] else both
        lines.insert(len(lines) - 3, line(f"  {OSC[2]}", blocks[OSC[2]], "MB", TO_MB))
    return lines


def _warm(presser: Presser, size: Size) -> None:
    for _ in range(size.warm):
        presser.press()


def _all(pids: Sequence[int]) -> Held:
    return Held(*(sum(column) for column in zip(*map(held, pids), strict=True)))
