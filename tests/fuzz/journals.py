"""Journals that were damaged or forged, and files of what is on its way into one.

A whole small night is the beginning; its bytes are changed, its cells and its tables. Everything that reads a journal
then reads it: what `log`, `replay`, `report`, `keep` and `nights` do, and taking the night up again. Outside judge:
SQLite's own shell of Python reads a journal's rows as they are.
"""

from __future__ import annotations

import sqlite3
import tempfile
import zlib
from collections.abc import Iterator
from contextlib import closing, contextmanager
from functools import cache
from pathlib import Path
from typing import Any, Final

from fuzz.drawn import Drawn
from fuzz.readers import read_all, show, tells
from stagectl.core.actions import Next, Nudge
from stagectl.core.events import DeskCame, DeskSaid, Event, Moved, PedalCame, PedalWent, Unmapped, Wanted
from stagectl.core.state import begin
from stagectl.core.step import step
from stagectl.journal.schema import INSERTS, Night
from stagectl.journal.spool import _lines, put
from stagectl.journal.write import Journal
from stagectl.story.heard import heard
from stagectl.story.rows import Teller

BEGUN_US: Final = 1_795_635_000_123_456
"""2026-11-25T19:30:00.123456Z, µs."""

SECOND_NS: Final = 1_000_000_000


@cache
def base() -> bytes:
    """The file of a whole small night: every kind of event, and their rows."""
    found, compiled = show()
    plan = compiled.plan
    happens: list[Event] = [PedalCame(pedal=0), DeskCame(), Unmapped(pedal=0, said="B0 10 00")]
    happens += [DeskSaid(send=send, level=-500 - 100 * send) for send in range(4)]
    happens += [Moved(pedal=0, control=control, value=value) for control in range(2) for value in (127, 0)]
    happens += [Wanted(action=Next(), who="page"), Wanted(action=Nudge(by=100), who="page for singer", listener=0)]
    happens += [Moved(pedal=0, control=1, value=value) for value in (127, 0)] + [PedalWent(pedal=0)]
    with tempfile.TemporaryDirectory(prefix="fuzz-") as folder:
        path = Path(folder) / "a.night"
        kept = {f"/show/{Path(name).name}": raw for name, raw in found.files.items()}
        about = Night(
            setlist=found.setlist.title, begun_us=BEGUN_US, program="0", path="/show/setlist.yaml", files=kept
        )
        with Journal.create(path, about) as journal:
            state, teller = begin(plan, 0), Teller(plan)
            for at, what in enumerate(happens, 1):
                state, effects = step(plan, state, what, at * SECOND_NS)
                journal.write(
                    teller.rows(effects), BEGUN_US + at * 1_000_000, heard(what, at * SECOND_NS, b"\xb0\x10\x00")
                )
        with closing(sqlite3.connect(path)) as connection:
            connection.execute("PRAGMA journal_mode = DELETE")
        return path.read_bytes()


@contextmanager
def laid(raw: bytes) -> Iterator[Path]:
    """A journal that holds these bytes, alone in a folder. Whoever only reads it changes nothing of it."""
    with tempfile.TemporaryDirectory(prefix="fuzz-") as folder:
        path = Path(folder) / "a.night"
        path.write_bytes(raw)
        yield path


def journal_bytes(data: bytes) -> None:
    """The night with some bytes changed: each three bytes of the input are a place and a byte; the last place may cut
    it off."""
    raw = bytearray(base())
    for at in range(0, len(data) - 2, 3):
        place = int.from_bytes(data[at : at + 2], "big") % len(raw)
        raw[place] = data[at + 2]
    if len(data) % 3 == 2:
        del raw[int.from_bytes(data[-2:], "big") % len(raw) :]
    with laid(bytes(raw)) as path:
        read_all(path)


TABLES: Final = {"night": "id", "story": "id", "heard": "id", "files": "place"}


def forged(data: bytes) -> None:
    """The night with cells, rows and tables forged, as any SQLite can write them: columns have no types any more."""
    drawn = Drawn(data)
    with laid(base()) as path:
        with closing(sqlite3.connect(path, isolation_level=None)) as connection:
            for table in TABLES:
                # A copy made by a query has no types and no bounds (SQLite, CREATE TABLE AS).
                connection.execute(f"CREATE TABLE loose AS SELECT * FROM {table}")
                connection.execute(f"DROP TABLE {table}")
                connection.execute(f"ALTER TABLE loose RENAME TO {table}")
            for _ in range(1 + drawn.below(6)):
                _forge(connection, drawn)
        read_all(path)


def _forge(connection: sqlite3.Connection, drawn: Drawn) -> None:
    table = drawn.pick(("heard", "story", "heard", "story", "night", "files"))
    columns = [row[1] for row in connection.execute(f"PRAGMA table_info({table})")]
    column = drawn.pick(columns)
    known = [value for (value,) in connection.execute(f"SELECT DISTINCT {column} FROM {table} LIMIT 20")]
    value = _cell(drawn, [*known, *ODD_CELLS])
    where = f"rowid = 1 + {drawn.below(40)} % (SELECT max(1, count(*)) FROM {table})"
    does = drawn.below(8)
    try:
        if does == 0:
            connection.execute(f"DELETE FROM {table} WHERE {where}")
        elif does == 1:
            connection.execute(f"INSERT INTO {table} SELECT * FROM {table} WHERE {where}")
        elif does == 2:
            connection.execute(f"UPDATE {table} SET {column} = ?", (value,))
        else:
            connection.execute(f"UPDATE {table} SET {column} = ? WHERE {where}", (value,))
    except (sqlite3.Error, OverflowError, UnicodeError):
        return


ODD_CELLS: Final = (
    *(
        "\x1b[2J\x1b]0;x\x07",
        "\x9b31m",
        "a\nb",
        "=1+1",
        "missing x rows",
        "missing",
        "end",
        "resumed",
        "change",
        "link",
    ),
    *('{"does": "nudge", "by": 10000000, "column": null}', '{"does": "go to", "stop": 99}', '{"does": []}', "[]", "1"),
    *(
        '{"does": "next", "x": 1}',
        "[" * 9_000,
        '{"does": "nudge", "by": "x", "column": 1}',
        '{"does": "nudge", "by": 1e999}',
    ),
    *(
        -1,
        99,
        2**62,
        -(2**62),
        1e300,
        float("inf"),
        0.5,
        "nan",
        "off",
        "OFF",
        "",
        "file://%ff/x",
        "journal",
        "page for x",
    ),
    *(b"\0", b"\xff\xfe", zlib.compress(b"setlist: x"), zlib.compress(bytes(9_000_000))),
)


def _cell(drawn: Drawn, known: list[Any]) -> Any:
    value = drawn.value(known, 0)
    return value if isinstance(value, int | float | str | bytes | None) else None


# -- what is on its way -----------------------------------------------------------------------------------------


def spool(data: bytes) -> None:
    """What a killed process left on its way into the night: any lines are taken up to where they are cut off or make no
    sense, and what is taken keeps the night readable."""
    lines = list(_lines(b"\n" * 2 + data))
    assert all(len(line) in INSERTS for line in lines)
    assert len(lines) <= len(data)
    with laid(base()) as path:
        with closing(sqlite3.connect(path, isolation_level=None)) as connection:
            before = connection.execute("SELECT count(*) FROM story").fetchone()[0]
            try:
                put(connection, lines)
            except (sqlite3.Error, ValueError, OverflowError):
                assert connection.execute("SELECT count(*) FROM story").fetchone()[0] == before
        tells(path)
