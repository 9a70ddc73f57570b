"""The tables of a journal, and how a row of the story is laid in them and taken out again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final, TypeAlias

from stagectl.core.levels import OFF, Level, Off
from stagectl.story.rows import Row

APPLICATION_ID: Final = int.from_bytes(b"sctl", "big")
"""Marks an SQLite file as a journal of this program."""

VERSION: Final = 1
"""The layout of the tables. A journal of a higher version is not read."""

TABLES: Final = (
    """CREATE TABLE night (
        id INTEGER PRIMARY KEY CHECK (id = 1),
        setlist TEXT NOT NULL,
        venue TEXT,
        begun INTEGER NOT NULL,       -- microseconds since 1970, UTC
        zone TEXT NOT NULL,           -- the name of the local zone
        zone_offset INTEGER NOT NULL, -- seconds east of UTC
        program TEXT NOT NULL,        -- the version of the program
        zero INTEGER NOT NULL         -- the monotonic clock when the night began, nanoseconds
    ) STRICT""",
    """CREATE TABLE story (
        id INTEGER PRIMARY KEY,
        wall INTEGER NOT NULL,        -- microseconds since 1970, UTC
        at INTEGER NOT NULL,          -- nanoseconds since the night began
        kind TEXT NOT NULL,
        press INTEGER,
        who TEXT,
        what TEXT,
        pedal TEXT,
        control TEXT,
        gesture TEXT,
        song TEXT,
        section TEXT,
        listener TEXT,
        input TEXT,
        level_before ANY,             -- levels: hundredths of a dB, 'off', or NULL where unknown
        level_after ANY,
        level_sent ANY,
        number INTEGER,
        detail TEXT
    ) STRICT""",
)
"""`story` has `Row`'s fields in `Row`'s order, after the row's number and its wall time."""

Packed: TypeAlias = tuple[int | str | None, ...]
"""A line of `story`: number, wall time, then the fields of a `Row`, all of them or those of a change."""

_WHOLE: Final = ("id", "wall", *(f"level_{f}" if f in ("before", "after", "sent") else f for f in Row._fields))
_SPARED: Final = ("pedal", "control", "gesture", "song", "section", "number", "detail")
_NARROW: Final = tuple(name for name in _WHOLE if name not in _SPARED)
_NOTHING: Final = (None,) * 5


def _insert(columns: Sequence[str]) -> str:
    names, marks = ", ".join(columns), ", ".join("?" * len(columns))
    return f"INSERT INTO story ({names}) VALUES ({marks}) ON CONFLICT (id) DO NOTHING"


INSERTS: Final = {len(columns): _insert(columns) for columns in (_WHOLE, _NARROW)}
"""How a line of each length is written. Binding NULL is the dearest part of writing a row, and a change, of
which a scene has many, would bind seven, so it has a shorter line. Writing a line again changes nothing, so a
write may be repeated where its outcome is not known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Night:
    """What a journal is the record of.

    `begun_us`: wall time, UTC, microseconds since 1970. `zone`, `zone_offset`: the local zone's name and its
    seconds east of UTC. `program`: the program's version. `zero`: the monotonic clock at `begun_us`, ns.
    """

    setlist: str
    venue: str | None = None
    begun_us: int
    zone: str = "UTC"
    zone_offset: int = 0
    program: str
    zero: int = 0


def night_packed(night: Night) -> Packed:
    """The line of the table `night`."""
    return 1, night.setlist, night.venue, night.begun_us, night.zone, night.zone_offset, night.program, night.zero


def night_unpacked(line: Sequence[Any]) -> Night:
    """The night that a line of the table `night` says."""
    _, setlist, venue, begun, zone, offset, program, zero = line
    return Night(
        setlist=setlist, venue=venue, begun_us=begun, zone=zone, zone_offset=offset, program=program, zero=zero
    )


def packed(row: Row, number: int, wall_us: int) -> Packed:
    """The line of `story` for a row: its number in the journal, its wall time, its fields."""
    levels = row[12:15]
    stored: Packed = levels  # type: ignore[assignment]
    if OFF in levels:
        stored = tuple("off" if isinstance(level, Off) else level for level in levels)
    if row[5:10] == _NOTHING and row.number is None and row.detail is None:
        return (number, wall_us, *row[:5], row.listener, row.input, *stored)
    return (number, wall_us, *row[:12], *stored, row.number, row.detail)


def unpacked(line: Sequence[Any]) -> tuple[int, int, Row]:
    """The number, the wall time (µs) and the row that a line of `story` says."""
    number, wall_us, *fields = line
    fields[12:15] = map(_level, fields[12:15])
    return number, wall_us, Row(*fields)


def _level(value: int | str | None) -> Level | None:
    return OFF if isinstance(value, str) else value
