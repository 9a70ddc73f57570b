"""Lines of the table: presses on real ports and inside the program, and the wire."""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import bench_wire
from bench_latency import jack_blocks
from lines import Program

from bench_parts.inside_lanes import inside
from bench_parts.over_udp import bare_way, nudging, numbers, osc_night
from bench_parts.press import Presser, Way, in_blocks
from bench_parts.size import Size
from bench_parts.table import Line, line, pair

TO_US: Final = 1e-3
TO_MS: Final = 1e-6

TRIES: Final = 3
"""How often the bare loop says a scene, until JACK loses nothing of it."""

PACED: Final = """
import sys, time, rtmidi
out = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name="bare-wire")
out.open_port(out.get_ports().index(sys.argv[1]))
print("ready", flush=True)
for line in sys.stdin:
    due = time.monotonic_ns()
    for packet in map(bytes.fromhex, line.split()):
        left = due - time.monotonic_ns()
        if left > 0:
            time.sleep(left / 1e9)
        out.send_message(packet)
        due += int(sys.argv[2]) * len(packet)
"""
"""A bare loop that says messages as fast as a DIN wire takes them."""


def _both(what: str, bare: str, ways: dict[str, Way]) -> list[Line]:
    ours, other = ways.values()
    return pair((what, ours.blocks), [(bare, other.blocks)], "µs", TO_US, tails=True, notes=(ours.note, other.note))


def over_jack(size: Size) -> list[Line]:
    """Press → first byte through JACK."""
    ways = jack_blocks(size.blocks, size.presses)
    return _both("press → first byte, MIDI over JACK", "bare: a driver's callback passes it on", ways)


def over_udp(size: Size) -> list[Line]:
    """Press → first byte through sockets."""
    with tempfile.TemporaryDirectory() as folder, osc_night(Path(folder)) as (wire, _), bare_way() as bare:
        ways = {"stagectl": Presser(wire, nudging()), "bare": Presser(bare, numbers())}
        taken = in_blocks(ways, size.blocks, size.presses)
    return _both("press → first byte, OSC over UDP", "bare: a socket passes it on", taken)


def inside_program(size: Size) -> list[Line]:
    """Callback → desk's port."""
    found = inside(size.blocks, size.presses)
    journal, none, bare = found["journal"], found["no journal"], found["bare"]
    head = pair(
        ("callback → desk's port, journal written", journal),
        [("without a journal", none)],
        "µs",
        TO_US,
        tails=True,
    )
    return [*head, line("  bare: callback, loop, port", bare, "µs", TO_US, tails=True)]


def on_the_wire(size: Size) -> list[Line]:
    """A whole scene on a DIN wire, beside what its bytes take at the least, and a bare loop that says the same.
    JACK is quicker than a wire: a first message that it stamps late makes a scene seem shorter than it can be, so below
    the limit the machine was busy."""
    import rtmidi

    judge = bench_wire.Judge()
    foot = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name=bench_wire.FOOT)
    foot.open_virtual_port("out")
    ours: list[bench_wire.Stamped] = []
    bare: list[bench_wire.Stamped] = []
    try:
        with _paced() as paced:
            for one in bench_wire.whole_scene(judge, foot, size.nights):
                for _ in range(TRIES):
                    paced.say(" ".join(packet.hex() for packet in one.packets))
                    same = judge.heard(one.told)
                    if same.packets == one.packets:
                        ours.append(one)
                        bare.append(same)
                        break
    finally:
        judge.close()
        foot.close_port()
        foot.delete()
    if not ours:
        raise SystemExit(f"of {size.nights} scenes none came whole both ways: JACK lost some of each")
    limits = [[float(one.limit_ns)] for one in ours]
    lost = f"{size.nights - len(ours)} of {size.nights} left out: JACK lost some"
    head = pair(
        (f"whole scene on DIN, {ours[0].told} messages", [[float(one.took_ns)] for one in ours]),
        [("limit: its bytes at 320 µs", limits)],
        "ms",
        TO_MS,
        notes=(lost if len(ours) < size.nights else "",),
    )
    return [*head, line("  bare: a loop that sleeps", [[float(one.took_ns)] for one in bare], "ms", TO_MS)]


@contextmanager
def _paced() -> Iterator[Program]:
    program = Program((sys.executable, "-c", PACED, f"{bench_wire.JUDGE}:in", "320000"))
    try:
        program.until("ready".__eq__)
        yield program
    finally:
        program.close()
