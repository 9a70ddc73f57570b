"""Press → first byte, beside bare baselines in the same run. Run by hand: `python tests/bench_latency.py`.

Two figures, each with its spread:

- through JACK: a foot's virtual port sends a control change; what is timed is the arrival of the first byte at the
  desk's virtual port. The bare way is a process whose python-rtmidi callback sends a press on at once. The two take
  turns, block by block, so that both see the same machine.
- inside the program: from the driver's callback to the moment when the bytes are handed to the desk's port, with the
  journal written on the way, on a real file.

It prints figures and judges nothing.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any, Final, NamedTuple

from bench_parts.figures import median, p99, ratio
from bench_parts.press import MidiWire, Nudges, Numbers, Presser, Way, in_blocks
from bench_parts.program import end, started, wait_for

ROOT = Path(__file__).resolve().parent.parent

BLOCKS: Final = 10
"""Blocks of presses of each way."""

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
  on: {sends: {control change: 82}, bounce: 0 ms, press: next}
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
into.set_callback(lambda event, _: event[0][2] and out.send_message(event[0]))
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
    middle, tail, most = (of(nanoseconds) / 1e3 for of in (median, p99, max))
    return f"  {name:<12} median {middle:8.1f}   p99 {tail:8.1f}   max {most:8.1f} µs"


class JackNight(NamedTuple):
    """Both ways through JACK, ready: who presses, and the processes, by the same order."""

    pressers: dict[str, Presser]
    pids: tuple[int, int]


@contextmanager
def jack_night() -> Iterator[JackNight]:
    """The program and a bare way, which lets the bytes of a press pass, and no release."""
    with ExitStack() as stack:
        ours, bare = MidiWire("bench"), MidiWire("other")
        for wire in (ours, bare):
            stack.callback(wire.close)
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        write_show(folder)
        plain = stack.enter_context(
            subprocess.Popen(
                [sys.executable, "-c", BARE, "otherfoot:out", "otherdesk:in"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                text=True,
            )
        )
        stack.callback(plain.terminate)
        assert plain.stdout is not None
        assert plain.stdout.readline().startswith("ready")
        program = stack.enter_context(_daemon(folder))
        to_first_song(ours)
        pressers = {"stagectl": Presser(ours, nudging()), "bare": Presser(bare, NUMBERS)}
        yield JackNight(pressers, (program, plain.pid))


def to_first_song(wire: MidiWire) -> None:
    """Until a scene was recalled no nudge is taken."""
    for value in (127, 0):
        wire.send(bytes((0xB0, 82, value)))
    while wire.hear(0.3) is not None:
        pass


def jack_blocks(blocks: int, presses: int) -> dict[str, Way]:
    """What presses took both ways, block by block."""
    with jack_night() as night:
        return in_blocks(night.pressers, blocks, presses)


def nudging() -> Nudges:
    """The foot of the show, and what its desk is told: the level of socket 1 in mix 1."""
    keys = ((b"\xb0\x51\x7f", b"\xb0\x51\0"), (b"\xb0\x50\x7f", b"\xb0\x50\0"))
    return Nudges(keys, lambda packet: packet[2] if packet[:2] == b"\xb0\x10" else None)


NUMBERS: Final = Numbers(
    lambda at: bytes((0xB0, 80, 64 + at)), lambda at: bytes((0xB0, 80, 64 + at)), b"\xb0\x50\0", 64
)
"""The bare way's presses: values from the upper half, as those of a switch that is down."""


def through_jack(presses: int) -> None:
    """Both ways through JACK."""
    blocks = min(BLOCKS, presses)
    ways = jack_blocks(blocks, presses // blocks)
    print(f"press → first byte through JACK, {blocks} blocks of {presses // blocks} presses each, in turns")
    for name, way in ways.items():
        print(row(name, [one for block in way.blocks for one in block]) + f"   {way.note}")
    ours, bare = (way.blocks for way in ways.values())
    middle, tail = ratio(ours, bare, median), ratio(ours, bare, p99)
    print(f"  ratio of medians {middle.value:.3f}, of 99th percentiles {tail.value:.3f}")


@contextmanager
def _daemon(folder: Path) -> Iterator[int]:
    """The program with a folder's show, while everything is there: its number. Never left behind."""
    ours = started(folder, "--midi-api", "jack")
    try:
        wait_for(ours, "ready")
        yield ours.pid
    finally:
        end(ours)


def flooded(presses: int) -> None:
    """A foot's presses while another pedal says a thousand messages a second, beside the same presses in quiet."""
    import rtmidi

    wire = MidiWire("bench")
    noise = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name="benchnoise")
    noise.open_virtual_port("out")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_show(folder)
        also = "{name: noise, port: benchnoise, mapping: switch-pair, listener: singer}"
        (folder / "rig.yaml").write_text(RIG.replace("listener: singer}]", f"listener: singer}}, {also}]"))
        figures: dict[str, list[int]] = {"quiet": [], "flooded": []}
        notes: dict[str, str] = {}
        over = threading.Event()

        def flood() -> None:
            # Data of every kind: unknown controllers, notes that hang, clock, and bytes that are no message at all.
            messages = ([0xB0, 20, 1], [0x90, 1, 1], [0xF8], [0xB0, 99, 127])
            while not over.wait(0.004):
                for message in messages:
                    noise.send_message(message)

        flooding = threading.Thread(target=flood, daemon=True)
        with _daemon(folder):
            to_first_song(wire)
            for who in figures:
                if who == "flooded":
                    flooding.start()
                way = in_blocks({who: Presser(wire, nudging())}, 1, presses)[who]
                figures[who], notes[who] = way.blocks[0], way.note
            over.set()
            flooding.join()
    wire.close()
    noise.close_port()
    noise.delete()
    print(
        f"press → first byte while another pedal floods its port with 1,000 messages a second, {presses} presses each"
    )
    for who, times in figures.items():
        print(row(who, times) + f"   {notes[who]}")


def inside(presses: int) -> None:
    """From the driver's callback to the desk's port, in this process, with a journal on disk."""
    from inside import HEAD, in_turns

    from stagectl.journal.record import begin

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_show(folder)
        [taken] = in_turns(folder, "switch-pair", [lambda: begin(folder / "bench.night", HEAD, print)], presses)
    print(f"inside the program, callback → desk's port with the journal written, {presses} presses")
    print(row("stagectl", taken))


def main(arguments: Any = None) -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--presses", type=int, default=2000)
    given = parser.parse_args(arguments)
    from jack import running_jack

    with running_jack(frames=64, realtime=False):
        through_jack(given.presses)
        flooded(given.presses)
    inside(given.presses)


if __name__ == "__main__":
    main()
