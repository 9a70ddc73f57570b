"""The tables of a journal, and how a row of the story, or an event, is laid in them and taken out again.

`heard` has what came in, `story` what was made of it; both count with one number, in the order of their writing.
`files` keeps the show's files as they were that night, so that it can be played again whatever has become of them.
"""

from __future__ import annotations

import sys
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, TypeAlias
from urllib.parse import quote, unquote_to_bytes

from stagectl.core.levels import OFF, Level, Off
from stagectl.errors import JournalError
from stagectl.story.entry import Heard
from stagectl.story.rows import Row

APPLICATION_ID: Final = int.from_bytes(b"sctl", "big")
"""Marks an SQLite file as a journal of this program."""

VERSION: Final = 2
"""The layout of the tables. A journal of a higher version is not read; one of a lower version is brought up to this
one (`migrate.py`)."""

TABLES: Final = (
    """CREATE TABLE night (
        id INTEGER PRIMARY KEY CHECK (id = 1),
        setlist TEXT NOT NULL,
        venue TEXT,
        begun INTEGER NOT NULL,       -- microseconds since 1970, UTC
        zone TEXT NOT NULL,           -- the name of the local zone
        zone_offset INTEGER NOT NULL, -- seconds east of UTC
        program TEXT NOT NULL,        -- the version of the program
        zero INTEGER NOT NULL,        -- the monotonic clock when the night began, nanoseconds
        path TEXT NOT NULL DEFAULT '' -- the setlist's file
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
        number INTEGER,               -- of a press: from it to the first byte that left, microseconds
        detail TEXT
    ) STRICT""",
    """CREATE TABLE heard (
        id INTEGER PRIMARY KEY,
        at INTEGER NOT NULL,          -- nanoseconds since the night began
        kind INTEGER NOT NULL,
        one ANY,
        two ANY,
        three ANY,
        said BLOB                     -- the bytes that it came as
    ) STRICT""",
    """CREATE TABLE files (
        since INTEGER NOT NULL,       -- the number of the line before: those of the highest are those of now
        place INTEGER NOT NULL,       -- the setlist is the first
        path TEXT NOT NULL,
        packed BLOB NOT NULL,         -- zlib (RFC 1950)
        PRIMARY KEY (since, place)
    ) STRICT""",
)
"""`story` has `Row`'s fields in `Row`'s order, after the row's number and its wall time; `heard` those of `Heard`."""

Packed: TypeAlias = tuple[int | str | bytes | None, ...]
"""A line: of `story`, its number, its wall time, then the fields of a `Row`, all of them or those of a change; of
`heard`, its number, then the fields of a `Heard`; or the number of a press's row, and how long its first byte took."""

_WHOLE: Final = ("id", "wall", *(f"level_{f}" if f in ("before", "after", "sent") else f for f in Row._fields))
_SPARED: Final = ("pedal", "control", "gesture", "song", "section", "number", "detail")
_NARROW: Final = tuple(name for name in _WHOLE if name not in _SPARED)
_NOTHING: Final = (None,) * 5


def _insert(columns: Sequence[str]) -> str:
    names, marks = ", ".join(columns), ", ".join("?" * len(columns))
    return f"INSERT INTO story ({names}) VALUES ({marks}) ON CONFLICT (id) DO NOTHING"


HEARD_LENGTH: Final = 1 + len(Heard._fields)
LEFT_LENGTH: Final = 2

_HEARD: Final = f"INSERT INTO heard VALUES ({', '.join('?' * HEARD_LENGTH)}) ON CONFLICT (id) DO NOTHING"

FILES: Final = "INSERT OR REPLACE INTO files VALUES (?, ?, ?, ?)"
"""How a line of `files` is written."""

INSERTS: Final = {
    **{len(columns): _insert(columns) for columns in (_WHOLE, _NARROW)},
    HEARD_LENGTH: _HEARD,
    LEFT_LENGTH: "UPDATE story SET number = ?2 WHERE id = ?1",
}
"""How a line of each length is written. Binding NULL is the dearest part of writing a row, and a change, of
which a scene has many, would bind seven, so it has a shorter line. Writing a line again changes nothing, so a
write may be repeated where its outcome is not known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Night:
    """What a journal is the record of.

    `begun_us`: wall time, UTC, microseconds since 1970. `zone`: the local zone's name in the IANA time zone database,
    or, where that is not known, what its clocks were called then; `zone_offset`: its seconds east of UTC then.
    `program`: the program's version. `zero`: the monotonic clock at `begun_us`, ns. `path`: the setlist's file.
    `files`: what the show's files held, by their paths, the setlist first; they are not read with the rest
    (`read.files`).
    """

    setlist: str
    venue: str | None = None
    begun_us: int
    zone: str = "UTC"
    zone_offset: int = 0
    program: str
    zero: int = 0
    path: str = ""
    files: Mapping[str, bytes] = field(default_factory=dict)


_AS_ADDRESS: Final = "file://"
"""How a path is told from an address: no path has two of these strokes in a row, but at its beginning."""

_NO_TEXT: Final = sys.getfilesystemencodeerrors()
"""How Python holds what is no text in a file's name (PEP 383, PEP 529)."""


def path_packed(path: str) -> str:
    """A file's path as text that any reader takes. One that is no text, as its bytes are no UTF-8, is written as in a
    `file` address: with these bytes in percent-encoding (RFC 8089; RFC 3986, 2.1)."""
    try:
        path.encode()
    except UnicodeEncodeError:
        try:
            return _AS_ADDRESS + quote(path, errors=_NO_TEXT)
        except UnicodeEncodeError:
            return path.encode(errors="backslashreplace").decode()
    return path


def path_unpacked(text: str) -> str:
    """The path that `path_packed` has written."""
    if not text.startswith(_AS_ADDRESS):
        return text
    raw = unquote_to_bytes(text.removeprefix(_AS_ADDRESS))
    try:
        return raw.decode(errors=_NO_TEXT)
    except UnicodeDecodeError:
        # It was written by another system.
        return raw.decode(errors="backslashreplace")


def night_packed(night: Night) -> Packed:
    """The line of the table `night`."""
    head = (1, night.setlist, night.venue, night.begun_us, night.zone, night.zone_offset, night.program)
    return *head, night.zero, path_packed(night.path)


def files_packed(files: Mapping[str, bytes], since: int = 0) -> list[Packed]:
    """The lines of the table `files`. `since`: the number of the line before."""
    return [(since, at, path_packed(path), zlib.compress(raw)) for at, (path, raw) in enumerate(files.items())]


def file_unpacked(packed: bytes, most: int) -> bytes:
    """What a file held, up to `most` bytes. Raises ValueError where there was more, or it was not packed like this."""
    try:
        opened = zlib.decompressobj()
        raw = opened.decompress(packed, most)
    except zlib.error as error:
        raise ValueError(str(error)) from error
    if opened.unconsumed_tail:
        raise ValueError(f"it holds more than {most:,} bytes")
    return raw


_NUMBER: Final = frozenset((int,))
_TEXT: Final = frozenset((str,))
_NUMBER_OR_NOT: Final = frozenset((int, type(None)))
_TEXT_OR_NOT: Final = frozenset((str, type(None)))
_LEVEL: Final = frozenset((int, str, type(None)))
_ANY: Final = frozenset((int, float, str, type(None)))
_BYTES: Final = frozenset((bytes,))
_BYTES_OR_NOT: Final = frozenset((bytes, type(None)))

_TYPES: Final = {
    "night": (_NUMBER, _TEXT, _TEXT_OR_NOT, _NUMBER, _TEXT, _NUMBER, _TEXT, _NUMBER, _TEXT),
    "story": (
        *(_NUMBER, _NUMBER, _NUMBER, _TEXT, _NUMBER_OR_NOT),
        *(_TEXT_OR_NOT,) * 9,
        *(_LEVEL, _LEVEL, _LEVEL, _NUMBER_OR_NOT, _TEXT_OR_NOT),
    ),
    "heard": (_NUMBER, _NUMBER, _NUMBER, _ANY, _ANY, _ANY, _BYTES_OR_NOT),
    "files": (_NUMBER, _NUMBER, _TEXT, _BYTES),
}
"""What the columns of `TABLES` hold, once more: SQLite does not look at what was damaged, nor at tables that somebody
else has made."""

_SOUND: Final[dict[str, set[tuple[type, ...]]]] = {table: set() for table in _TYPES}
"""The types of lines that were found to be sound, so that each is looked at once."""


def _check(table: str, line: Sequence[Any]) -> None:
    """Raises JournalError where a line is none of that table."""
    types = tuple(map(type, line))
    if types in _SOUND[table]:
        return
    allowed = _TYPES[table]
    if len(types) != len(allowed) or any(one not in some for one, some in zip(types, allowed, strict=True)):
        number = f"line {line[0]}" if line and isinstance(line[0], int) else "a line"
        raise JournalError(f"The journal is damaged: {number} of `{table}` is none of that table.")
    _SOUND[table].add(types)


def files_unpacked(line: Sequence[Any], most: int) -> tuple[int, str, bytes]:
    """The number of the line before, the path and what the file held, up to `most` bytes, that a line of `files` says.
    Raises JournalError where it is none, and ValueError as `file_unpacked` does."""
    _check("files", line)
    since, _, path, packed = line
    return since, path_unpacked(path), file_unpacked(packed, most)


def night_unpacked(line: Sequence[Any]) -> Night:
    """The night that a line of the table `night` says. Raises JournalError where it is none."""
    _check("night", line)
    _, setlist, venue, begun, zone, offset, program, zero, path = line
    return Night(
        setlist=setlist,
        venue=venue,
        begun_us=begun,
        zone=zone,
        zone_offset=offset,
        program=program,
        zero=zero,
        path=path_unpacked(path),
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


def heard_packed(heard: Heard, number: int) -> Packed:
    """The line of `heard` for an event with that number."""
    return (number, *heard)


def heard_unpacked(line: Sequence[Any]) -> tuple[int, Heard]:
    """The number and the event that a line of `heard` says. Raises JournalError where it is none."""
    _check("heard", line)
    return line[0], Heard(*line[1:])


def unpacked(line: Sequence[Any]) -> tuple[int, int, Row]:
    """The number, the wall time (µs) and the row that a line of `story` says. Raises JournalError where it is none."""
    _check("story", line)
    number, wall_us, *fields = line
    fields[12:15] = map(_level, fields[12:15])
    return number, wall_us, Row(*fields)


def _level(value: int | str | None) -> Level | None:
    return OFF if isinstance(value, str) else value
