"""Feet on pedals, made from a seed: the bytes that a control sends as a foot moves it, with the timing, the bounce and
the wobble of real ones.

Timing by common practice; bounce after a published study of some 17 switches: 1.6 ms in the mean, 6.2 ms at the usual
worst. A foot stays on a switch for 70 to 400 ms and comes again about a second later.
"""

from __future__ import annotations

from pathlib import Path
from random import Random
from typing import NamedTuple

from stagectl.learn.series import Packet

MS = 1_000_000


class Foot(NamedTuple):
    """A seeded foot. `channel`: 1 to 16."""

    random: Random
    channel: int = 1
    bounces: bool = True

    def held(self) -> int:
        return self.random.randint(70, 400) * MS

    def pause(self) -> int:
        return self.random.randint(900, 2_500) * MS

    def edges(self, at: int, value: int, back: int) -> list[tuple[int, int]]:
        """A contact that closes: an odd number of edges within some milliseconds."""
        found = [(at, value)]
        for _ in range(self.random.choice((0, 0, 1, 2)) if self.bounces else 0):
            for one in (back, value):
                at += self.random.randint(300, 1_600) * 1_000
                found.append((at, one))
        return found

    def momentary(self, presses: int, on: int = 127, off: int = 0) -> list[tuple[int, int]]:
        """`on` and `off` in turn, two for each press."""
        at, found = self.pause(), []
        for _ in range(presses):
            found += self.edges(at, on, off)
            at += self.held()
            found += self.edges(at, off, on)
            at += self.pause()
        return found

    def latching(self, presses: int, on: int = 127, off: int = 0) -> list[tuple[int, int]]:
        """One change for each press."""
        at, found = self.pause(), []
        for _ in range(presses):
            found += self.edges(at, on, off)
            on, off = off, on
            at += self.pause()
        return found

    def pad(self, presses: int) -> list[tuple[int, int]]:
        """A press with its own strength each time, and 0."""
        at, found = self.pause(), []
        strengths = self.random.sample(range(20, 128), presses)
        for strength in strengths:
            found.append((at, strength))
            at += self.held()
            found.append((at, 0))
            at += self.pause()
        return found

    def treadle(self, travels: int, low: int = 0, high: int = 127, jitter: int = 0) -> list[tuple[int, int]]:
        """From `low` to `high` and back, resting at each end and half way; `jitter`: its wobble to each side."""
        at, here = self.pause(), low
        found: list[tuple[int, int]] = []
        for travel in range(travels):
            there = high if travel % 2 == 0 else low
            for stop in ((low + high) // 2, there):
                at = self._ride(found, at, here, stop)
                here = stop
                at = self._rest(found, at, here, jitter, (low, high))
        return found

    def _ride(self, found: list[tuple[int, int]], at: int, here: int, there: int) -> int:
        steps = max(8, min(60, abs(there - here)))
        length = self.random.randint(300, 900) * MS
        for step in range(steps + 1):
            value = here + (there - here) * step // steps
            if not found or found[-1][1] != value:
                found.append((at, value))
            at += length // steps
        return at

    def _rest(self, found: list[tuple[int, int]], at: int, here: int, jitter: int, ends: tuple[int, int]) -> int:
        for wobble in [jitter, -jitter] * (4 if jitter else 0):
            at += self.random.randint(40, 110) * MS
            found.append((at, min(max(here + wobble, ends[0]), ends[1])))
        at += self.random.randint(40, 110) * MS
        if found[-1][1] != here:
            found.append((at, here))
        return at + self.random.randint(300, 800) * MS

    def control(self, number: int, moves: list[tuple[int, int]]) -> list[Packet]:
        """The moves as control changes."""
        return [(at, bytes((0xB0 | self.channel - 1, number, value))) for at, value in moves]

    def note(self, number: int, moves: list[tuple[int, int]], *, offs: bool = True) -> list[Packet]:
        """The moves as notes; `offs`: letting go is a note off, else a note on with velocity 0."""
        return [
            (at, bytes(((0x80 if offs and not value else 0x90) | self.channel - 1, number, value)))
            for at, value in moves
        ]

    def pair(self, number: int, moves: list[tuple[int, int]]) -> list[Packet]:
        """The moves, 0 to 16,383, as pairs of controllers, on a DIN link."""
        head = 0xB0 | self.channel - 1
        halves = [
            ((at, bytes((head, number, value >> 7))), (at + MS, bytes((head, number + 32, value & 127))))
            for at, value in moves
        ]
        return [packet for pair in halves for packet in pair]

    def bend(self, moves: list[tuple[int, int]]) -> list[Packet]:
        """The moves, 0 to 16,383, as pitch bend."""
        return [(at, bytes((0xE0 | self.channel - 1, value & 127, value >> 7))) for at, value in moves]


def with_clock(packets: list[Packet]) -> list[Packet]:
    """The same with clock at 120 a minute and active sensing in between."""
    end = packets[-1][0]
    clock = [(at, b"\xf8") for at in range(0, end, 20_833_333)]
    sensing = [(at, b"\xfe") for at in range(0, end, 270 * MS)]
    return sorted([*packets, *clock, *sensing], key=lambda packet: packet[0])


def save(path: Path, **tracks: list[Packet]) -> None:
    """A Standard MIDI File; times are rounded down to ticks of about 0.1 ms (4,800 a quarter note of 500 ms)."""
    import mido

    file = mido.MidiFile(type=1, ticks_per_beat=4_800)
    for name, packets in tracks.items():
        track = mido.MidiTrack([mido.MetaMessage("track_name", name=name.replace("_", " "))])
        last = 0
        for at, packet in sorted(packets, key=lambda one: one[0]):
            tick = at * 4_800 // (500 * MS)
            message = mido.Message.from_bytes(list(packet))
            message.time = tick - last
            track.append(message)
            last = tick
        file.tracks.append(track)
    file.save(path)
