"""Learning from a recording: a Standard MIDI File, of which each track that speaks is one pedal."""

from __future__ import annotations

from pathlib import Path

from stagectl.learn.series import Packet
from stagectl.rehearse.take import open_take, tick_ns


def pedals_of(path: Path) -> list[tuple[str, list[Packet]]]:
    """The tracks that say anything: their names (the file's own name where a track has none) and their messages with
    their times, ns. Raises FileFaults."""
    tracks, tempos, per_quarter = open_take(path)
    return [
        (name or path.stem, [(tick_ns(tick, tempos, per_quarter), packet) for tick, packet in messages])
        for name, messages in tracks
        if messages
    ]
