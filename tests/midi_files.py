"""Standard MIDI Files for tests: made by mido, read by midicsv and music21, which have readers of their own."""

from __future__ import annotations

import csv
import importlib.util
import subprocess
from collections.abc import Iterable
from decimal import Decimal
from fractions import Fraction
from io import BytesIO, StringIO
from pathlib import Path
from typing import Any, Final, NamedTuple

import mido
from needs import needs, unavailable

RP001_EXAMPLE: Final = bytes.fromhex(
    "4D54686400000006000000010060 4D54726B0000003B 00FF580404021808 00FF510307A120 00C005 00C12E 00C246 00923060 003C60"
    "60914340 60904C20 8140823040 003C40 00814340 00804C40 00FF2F00"
)
"""The file that Standard MIDI Files 1.0 (RP-001) prints: format 0, 96 ticks a quarter note, notes at 0, 96 and 192."""


def saved(*tracks: Iterable[tuple[int, Any]], per_quarter: int = 480, type_: int = 1) -> bytes:
    """A file of events with their ticks since the beginning, made by mido."""
    file = mido.MidiFile(type=type_, ticks_per_beat=per_quarter)
    for events in tracks:
        track, before = mido.MidiTrack(), 0
        for tick, event in events:
            track.append(event.copy(time=tick - before))
            before = tick
        file.tracks.append(track)
    out = BytesIO()
    file.save(file=out)
    return out.getvalue()


def tempo(microseconds: int) -> Any:
    """A change of tempo."""
    return mido.MetaMessage("set_tempo", tempo=microseconds)


def metre(beats: int, unit: int) -> Any:
    """A change of metre."""
    return mido.MetaMessage("time_signature", numerator=beats, denominator=unit)


def notes(ticks: Iterable[int], length: int = 1) -> list[tuple[int, Any]]:
    """Short notes at these ticks."""
    return [
        event
        for tick in ticks
        for event in (
            (tick, mido.Message("note_on", note=60, velocity=64)),
            (tick + length, mido.Message("note_off", note=60)),
        )
    ]


class Listing(NamedTuple):
    """What midicsv says of a file: changes by tick, in the order of the file; `ticks`: of everything."""

    per_quarter: int
    tempos: list[tuple[int, int]]
    metres: list[tuple[int, int, int]]
    ticks: list[int]

    def seconds(self, tick: int) -> Decimal:
        """When a tick is, added up from change to change."""
        total, last, lasts = Decimal(0), 0, 500_000
        for at, microseconds in sorted(self.tempos, key=lambda change: change[0]):
            if at > tick:
                break
            total += Decimal(at - last) * lasts
            last, lasts = at, microseconds
        return (total + Decimal(tick - last) * lasts) / self.per_quarter / 1_000_000


def listing(data: bytes) -> Listing:
    """The file as midicsv (Debian) reads it."""
    needs("midicsv")
    done = subprocess.run(["midicsv"], input=data, capture_output=True, check=True, timeout=60)
    rows = [[cell.strip() for cell in row] for row in csv.reader(StringIO(done.stdout.decode("latin-1")))]
    tempos = [(int(row[1]), int(row[3])) for row in rows if row[2] == "Tempo"]
    metres = [(int(row[1]), int(row[3]), 2 ** int(row[4])) for row in rows if row[2] == "Time_signature"]
    per_quarter = next(int(row[5]) for row in rows if row[2] == "Header")
    return Listing(per_quarter, tempos, metres, sorted({int(row[1]) for row in rows}))


class Score(NamedTuple):
    """What music21 says of a file: notes by quarter note and second, bars by number and quarter note."""

    notes: list[tuple[Fraction, float]]
    bars: list[tuple[int, Fraction]]


def score(data: bytes) -> Score:
    """The file as music21 reads it: its own reader, tempo and bars."""
    from music21 import converter, stream

    parsed: Any = converter.parse(data, format="midi")
    part = next(part for part in parsed.parts if part.flatten().notes)
    timed = [one for one in parsed.flatten().secondsMap if "Note" in one["element"].classes]
    return Score(
        [(Fraction(one["element"].offset), float(one["offsetSeconds"])) for one in timed],
        [(int(bar.number), Fraction(bar.offset)) for bar in part.getElementsByClass(stream.Measure)],
    )


def corpus() -> list[Path]:
    """The files that music21 comes with."""
    spec = importlib.util.find_spec("music21")
    if spec is None or spec.origin is None:
        unavailable("not installed: music21")
    return sorted(Path(spec.origin).parent.rglob("*.mid"))
