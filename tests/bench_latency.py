"""Press → first byte, beside bare baselines in the same run. Run by hand: `python tests/bench_latency.py`.

Two figures, each with its spread:

- through JACK: a foot's virtual port sends a control change; what is timed is the arrival of the first byte at the
  desk's virtual port. The bare way is a process whose python-rtmidi callback sends a byte on at once. The two take
  turns, press by press, so that both see the same machine.
- inside the program: from the driver's callback to the moment when the bytes are handed to the desk's port, with the
  journal written on the way, on a real file.

It prints figures and judges nothing.
"""

from __future__ import annotations

import argparse
import os
import random
import signal
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from pathlib import Path
from queue import Empty, Queue
from typing import Any

ROOT = Path(__file__).resolve().parent.parent

RIG = """
inputs: [{name: voice, socket: 1}, {name: bass, socket: 2}]
listeners: [{name: singer, mix: 1, own input: voice}]
desk: {profile: control-change, port: 'benchdesk:in', link: usb}
pedals: [{name: foot, port: 'benchfoot:out', mapping: switch-pair, listener: singer}]
limits: {settle time: 0, rise: 1000}
"""
MAPPING = """
name: a pair of switches
controls:
  up: {sends: {control change: 80}, bounce: 0 ms, press: {nudge: own, by: +1}}
  down: {sends: {control change: 81}, bounce: 0 ms, press: {nudge: own, by: -1}}
"""
SETLIST = """
title: bench
rig: rig.yaml
base: {singer: {voice: -20, bass: -20}}
songs: [{name: one}]
"""
BARE = """
import sys, rtmidi
out = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name="bare")
out.open_port(out.get_ports().index(sys.argv[2]))
into = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, name="bare")
into.set_callback(lambda event, _: out.send_message(event[0]))
into.open_port(into.get_ports().index(sys.argv[1]))
print("ready", flush=True)
sys.stdin.read()
"""


def write_show(folder: Path) -> None:
    """A show of one send and two switches."""
    (folder / "rig.yaml").write_text(RIG)
    (folder / "switch-pair.yaml").write_text(MAPPING)
    (folder / "setlist.yaml").write_text(SETLIST)


def row(name: str, nanoseconds: Sequence[int]) -> str:
    """Median, 99th percentile and maximum, µs."""
    ordered = sorted(nanoseconds)
    p99 = ordered[min(len(ordered) - 1, int(len(ordered) * 0.99))]
    median, most = statistics.median(ordered), ordered[-1]
    return f"  {name:<12} median {median / 1e3:8.1f}   p99 {p99 / 1e3:8.1f}   max {most / 1e3:8.1f} µs"


class Ports:
    """A foot and a desk on virtual JACK ports."""

    def __init__(self, name: str) -> None:
        import rtmidi

        self.foot = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name=f"{name}foot")
        self.foot.open_virtual_port("out")
        self.desk = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, name=f"{name}desk")
        self.desk.open_virtual_port("in")
        self.heard: Queue[int] = Queue()
        self.desk.set_callback(lambda *_: self.heard.put(time.monotonic_ns()))

    def press(self, control: int) -> int | None:
        """Send a press, and give the time until the first byte, ns; None where it never came (JACK may lose one)."""
        while not self.heard.empty():
            self.heard.get()
        began = time.monotonic_ns()
        self.foot.send_message([0xB0, control, 127])
        try:
            taken = self.heard.get(timeout=1) - began
        except Empty:
            taken = None
        self.foot.send_message([0xB0, control, 0])
        return taken

    def close(self) -> None:
        """Let go of the ports."""
        for port in (self.foot, self.desk):
            port.close_port()
            port.delete()


def _wait_for_all(ours: subprocess.Popen[str]) -> None:
    """Wait until everything is served. Never leaves the daemon behind."""
    assert ours.stdout is not None
    line = ours.stdout.readline()
    if "everything is here" not in line:
        ours.kill()
        raise SystemExit(f"the daemon does not serve everything: {line}")


def through_jack(presses: int) -> None:
    """Both ways through JACK, in turns."""
    bench, bare = Ports("bench"), Ports("other")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_show(folder)
        plain = subprocess.Popen(
            [sys.executable, "-c", BARE, "otherfoot:out", "otherdesk:in"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        command = [sys.executable, "-m", "stagectl", "run", str(folder), "--midi-api", "jack"]
        ours = subprocess.Popen(
            [*command, "--journal", str(folder / "bench.night")],
            stdout=subprocess.PIPE,
            text=True,
            cwd=ROOT,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
        )
        assert plain.stdout is not None
        assert ours.stdout is not None
        assert plain.stdout.readline().startswith("ready")
        _wait_for_all(ours)
        threading.Thread(target=lambda: [None for _ in ours.stdout or ()], daemon=True).start()
        figures: dict[str, list[int]] = {"stagectl": [], "bare": []}
        phase = random.Random(1)
        for at in range(presses + 20):
            control = 80 + at % 2
            # A foot knows nothing of JACK's periods; without the pause every press would begin just after one.
            # The bare way sends the release on too; the ear for its answer is emptied before the next press.
            for who, ports in (("stagectl", bench), ("bare", bare)):
                time.sleep(phase.uniform(0.002, 0.006))
                taken = ports.press(control if who == "stagectl" else 1)
                if at >= 20 and taken is not None:
                    figures[who].append(taken)
        ours.send_signal(signal.SIGTERM)
        plain.terminate()
        ours.wait(5)
        plain.wait(5)
    for ports in (bench, bare):
        ports.close()
    print(f"press → first byte through JACK, {presses} presses each, in turns")
    for who, times in figures.items():
        print(row(who, times) + f"   lost {presses - len(times)}")
    ratio = [statistics.median(figures["stagectl"]) / statistics.median(figures["bare"])]
    ratio += [sorted(t)[int(len(t) * 0.99)] for t in figures.values()]
    print(f"  ratio of medians {ratio[0]:.3f}, of 99th percentiles {ratio[1] / ratio[2]:.3f}")


def flooded(presses: int) -> None:
    """A foot's presses while another pedal says a thousand messages a second, beside the same presses in quiet."""
    import rtmidi

    bench = Ports("bench")
    noise = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name="benchnoise")
    noise.open_virtual_port("out")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_show(folder)
        rig = RIG.replace(
            "listener: singer}]", "listener: singer}, {name: noise, port: benchnoise, mapping: switch-pair}]"
        )
        (folder / "rig.yaml").write_text(
            rig.replace("mapping: switch-pair}]", "mapping: switch-pair, listener: singer}]")
        )
        ours = subprocess.Popen(
            [
                sys.executable,
                "-m",
                "stagectl",
                "run",
                str(folder),
                "--midi-api",
                "jack",
                "--journal",
                str(folder / "n"),
            ],
            stdout=subprocess.PIPE,
            text=True,
        )
        assert ours.stdout is not None
        _wait_for_all(ours)
        threading.Thread(target=lambda: [None for _ in ours.stdout or ()], daemon=True).start()
        figures: dict[str, list[int]] = {"quiet": [], "flooded": []}
        phase, over = random.Random(1), threading.Event()

        def flood() -> None:
            # Data of every kind: unknown controllers, notes that hang, clock, and bytes that are no message at all.
            messages = ([0xB0, 20, 1], [0x90, 1, 1], [0xF8], [0xB0, 99, 127])
            while not over.wait(0.004):
                for message in messages:
                    noise.send_message(message)

        flooding = threading.Thread(target=flood, daemon=True)
        for who in figures:
            if who == "flooded":
                flooding.start()
            for at in range(presses):
                time.sleep(phase.uniform(0.002, 0.006))
                taken = bench.press(80 + at % 2)
                if taken is not None:
                    figures[who].append(taken)
        over.set()
        flooding.join()
        ours.send_signal(signal.SIGTERM)
        ours.wait(5)
    bench.close()
    noise.close_port()
    noise.delete()
    print(
        f"press → first byte while another pedal floods its port with 1,000 messages a second, {presses} presses each"
    )
    for who, times in figures.items():
        print(row(who, times) + f"   lost {presses - len(times)}")


def inside(presses: int) -> None:
    """From the driver's callback to the desk's port, in this process, with a journal on disk."""
    from inside import in_turns

    from stagectl.journal.record import begin
    from stagectl.journal.schema import Night

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_show(folder)
        head = Night(setlist="bench", begun_us=0, program="bench")
        [taken] = in_turns(folder, "switch-pair", [lambda: begin(folder / "bench.night", head, print)], presses)
    print(f"inside the program, callback → desk's port with the journal written, {presses} presses")
    print(row("stagectl", taken))


def main(arguments: Any = None) -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--presses", type=int, default=2000)
    given = parser.parse_args(arguments)
    from jack import running_jack

    with running_jack(frames=64):
        through_jack(given.presses)
        flooded(given.presses)
    inside(given.presses)


if __name__ == "__main__":
    main()
