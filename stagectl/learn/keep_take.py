"""What pedals said, as a Standard MIDI File: to learn from again, or to rehearse a night with those feet."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from io import BytesIO
from typing import Final

from stagectl.learn.series import Packet

PER_QUARTER: Final = 25_000
"""Ticks of a quarter note. At the tempo that counts where a file names none, 120 a minute (Standard MIDI Files 1.0,
RP-001), a tick is 20 µs."""

TICK_NS: Final = 500_000_000 // PER_QUARTER


def take_bytes(pedals: Iterable[tuple[str, Sequence[Packet]]]) -> bytes:
    """The file: a track for each pedal, by its name, with its messages and their times, ns, rounded to 20 µs. The first
    of all stands at the beginning."""
    import mido

    some = [(name, packets) for name, packets in pedals if packets]
    zero = min((packets[0][0] for _, packets in some), default=0)
    file = mido.MidiFile(type=1, ticks_per_beat=PER_QUARTER)
    for name, packets in some:
        # Text is ASCII (RP-001), which many a reader takes for Latin-1.
        named = name.encode("latin-1", "replace").decode("latin-1")
        track = mido.MidiTrack([mido.MetaMessage("track_name", name=named)])
        before = 0
        for at, packet in packets:
            tick = round((at - zero) / TICK_NS)
            track.append(mido.Message.from_bytes(packet, time=max(0, tick - before)))
            before = max(before, tick)
        file.tracks.append(track)
    out = BytesIO()
    file.save(file=out)
    return out.getvalue()
