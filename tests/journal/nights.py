"""Nights and rows that the tests of the journal write."""

from __future__ import annotations

import time
from contextlib import closing
from pathlib import Path

from stagectl.core.levels import OFF
from stagectl.journal.read import open_read, rows
from stagectl.journal.schema import Night
from stagectl.story.rows import Row

WALL = 1_795_635_000_123_456
"""2026-11-25T19:30:00.123456Z, µs."""

NIGHT = Night(
    setlist="Harbour set",
    venue="Small club",
    begun_us=WALL,
    zone="CET",
    zone_offset=3600,
    program="0.1.0",
    zero=time.monotonic_ns(),
)

PRESS = Row(7_250_000_000, "press", 1, who="singer", what="more me", pedal="left", control="A", gesture="press")
CHANGE = Row(
    7_250_000_000,
    "change",
    1,
    who="singer",
    what="more me",
    listener="singer",
    input="lead vocal",
    before=-600,
    after=-450,
    sent=-450,
)
SILENCED = CHANGE._replace(input="click", before=None, after=OFF, sent=OFF)


def numbered(first: int, count: int) -> list[Row]:
    """Changes that tell themselves apart by their time."""
    return [CHANGE._replace(at=at) for at in range(first, first + count)]


def story(path: Path) -> list[Row]:
    """Every row in the journal at `path`."""
    with closing(open_read(path)) as connection:
        return [row for _, _, row in rows(connection)]


def whole(path: Path) -> bool:
    """Whether SQLite finds the file sound."""
    with closing(open_read(path)) as connection:
        return connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
