"""A journal of an earlier layout is read, and written on, as one of now; and one of a later layout is left alone."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from stagectl.errors import JournalError
from stagectl.journal.migrate import STEPS, migrate
from stagectl.journal.read import events, files, night, open_read
from stagectl.journal.schema import APPLICATION_ID, INSERTS, TABLES, VERSION, packed
from stagectl.journal.write import Journal, open_again
from stagectl.story.entry import Heard

from .nights import CHANGE, NIGHT, PRESS, SILENCED, WALL, story, whole

FIRST = (
    """CREATE TABLE night (id INTEGER PRIMARY KEY CHECK (id = 1), setlist TEXT NOT NULL, venue TEXT,
        begun INTEGER NOT NULL, zone TEXT NOT NULL, zone_offset INTEGER NOT NULL, program TEXT NOT NULL,
        zero INTEGER NOT NULL) STRICT""",
    """CREATE TABLE story (id INTEGER PRIMARY KEY, wall INTEGER NOT NULL, at INTEGER NOT NULL, kind TEXT NOT NULL,
        press INTEGER, who TEXT, what TEXT, pedal TEXT, control TEXT, gesture TEXT, song TEXT, section TEXT,
        listener TEXT, input TEXT, level_before ANY, level_after ANY, level_sent ANY, number INTEGER, detail TEXT
        ) STRICT""",
)
"""The first layout, as it was."""

ROWS = [PRESS, CHANGE, SILENCED]


def first_layout(path: Path) -> None:
    """A night as the first version kept it."""
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        for table in FIRST:
            connection.execute(table)
        head = (NIGHT.setlist, NIGHT.venue, NIGHT.begun_us, NIGHT.zone, NIGHT.zone_offset, NIGHT.program, NIGHT.zero)
        connection.execute("INSERT INTO night VALUES (1, ?, ?, ?, ?, ?, ?, ?)", head)
        for number, row in enumerate(ROWS, 1):
            line = packed(row, number, WALL)
            connection.execute(INSERTS[len(line)], line)
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute("PRAGMA user_version = 1")


def test_reading_the_first_layout_leaves_it_as_it_is(tmp_path: Path) -> None:
    path = tmp_path / "old.night"
    first_layout(path)
    before = path.read_bytes()
    assert story(path) == ROWS
    with closing(open_read(path)) as connection:
        assert night(connection) == NIGHT
        assert not list(events(connection)) and not files(connection)
    assert path.read_bytes() == before
    assert [one.name for one in tmp_path.iterdir()] == ["old.night"]


def test_writing_on_brings_it_up_to_the_present_layout(tmp_path: Path) -> None:
    path = tmp_path / "old.night"
    first_layout(path)
    journal = open_again(path)
    journal.write([PRESS], WALL, Heard(5, 2, 0))
    journal.close()
    assert story(path) == [*ROWS, PRESS]
    assert whole(path)
    new = tmp_path / "new.night"
    Journal.create(new, NIGHT).close()
    assert layout(path) == layout(new)


def layout(path: Path) -> dict[str, list[object]]:
    """The tables with their columns, as SQLite sees them."""
    with closing(sqlite3.connect(path)) as connection:
        names = [
            name for (name,) in connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY 1")
        ]
        found: dict[str, list[object]] = {
            name: connection.execute(f"SELECT name, type, \"notnull\", pk FROM pragma_table_info('{name}')").fetchall()
            for name in names
        }
        found["version"] = connection.execute("PRAGMA user_version").fetchone()
        return found


def test_every_earlier_layout_has_a_way_to_the_present_one() -> None:
    assert [*STEPS] == [*range(1, VERSION)]
    assert len(TABLES) == 4


def test_a_step_that_fails_changes_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "old.night"
    first_layout(path)
    before = layout(path)
    monkeypatch.setitem(STEPS, 1, (*STEPS[1], "CREATE TABLE heard (twice)"))
    with closing(sqlite3.connect(path, isolation_level=None)) as connection, pytest.raises(sqlite3.OperationalError):
        migrate(connection)
    assert layout(path) == before
    with pytest.raises(JournalError, match="cannot be written on"):
        open_again(path)
    assert layout(path) == before


def test_a_later_layout_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "later.night"
    Journal.create(path, NIGHT).close()
    with closing(sqlite3.connect(path)) as connection:
        connection.execute(f"PRAGMA user_version = {VERSION + 1}")
    before = path.read_bytes()
    with pytest.raises(
        JournalError, match=f"its layout is {VERSION + 1}, and this version reads layouts up to {VERSION}"
    ):
        open_read(path)
    with pytest.raises(JournalError, match=f"its layout is {VERSION + 1}"):
        open_again(path)
    assert path.read_bytes() == before
