"""Learning from a recording: a Standard MIDI File, of which each track that speaks is one pedal."""

from __future__ import annotations

from pathlib import Path

from stagectl.learn.series import Packet
from stagectl.rehearse.take import open_take


def pedals_of(path: Path) -> list[tuple[str, list[Packet]]]:
    """The tracks that say anything: their names (the file's own name where a track has none) and their messages with
    their times, ns. Raises FileFaults."""
    take = open_take(path)
    return [
        (track.name or path.stem, [(take.times.ns(tick), packet) for tick, packet in track.messages])
        for track in take.tracks
        if track.messages
    ]
