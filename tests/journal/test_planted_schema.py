"""Journals whose layout was made to do something of its own when they are read: it does nothing, and that is said.

Outside judge: SQLite itself, which runs each of them where nobody is wary (so that no plant is a dud); what is advised
for files from elsewhere is its "Defense Against The Dark Arts", 1.2.
"""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing, suppress
from pathlib import Path

import pytest
from click.testing import CliRunner

from stagectl.cli.main import main
from stagectl.errors import JournalError
from stagectl.journal.read import open_read, rows
from stagectl.journal.record import begin
from stagectl.journal.spool import bring_home, spool_path
from stagectl.journal.wary import distrust, wary
from stagectl.journal.write import Journal
from stagectl.ready import nights as ready

from .nights import NIGHT, PRESS, WALL, numbered, story
from .test_migrate import ROWS, first_layout
from .test_record import killed

READS = "SELECT * FROM story"
WRITES = "INSERT INTO story (id, wall, at, kind) VALUES (9, 0, 0, 'press')"

RUNS = {
    "view": ("ALTER TABLE story RENAME TO real; CREATE VIEW story AS SELECT * FROM real WHERE effect()", READS),
    "view of a night": ("ALTER TABLE night RENAME TO real; CREATE VIEW night AS SELECT *, effect() FROM real", READS),
    "trigger": ("CREATE TRIGGER after AFTER INSERT ON story BEGIN SELECT effect(); END", WRITES),
    "table of a module": ("CREATE VIRTUAL TABLE more USING fts5(word)", READS),
}
"""What no journal has, by what it is called, and a statement that it runs with."""

CALLS = {
    "column": ("CREATE TABLE other (a, b AS (effect())); INSERT INTO other (a) VALUES (1)", "SELECT b FROM other"),
    "check": ("CREATE TABLE other (a CHECK (effect()))", "INSERT INTO other VALUES (1)"),
    "default": ("CREATE TABLE other (a, b DEFAULT (effect()))", "INSERT INTO other (a) VALUES (1)"),
    "view": ("CREATE VIEW other AS SELECT effect()", "SELECT * FROM other"),
    "trigger": ("CREATE TRIGGER after AFTER INSERT ON story BEGIN SELECT effect(); END", WRITES),
}
"""What calls a function, and a statement that it does so with."""


@pytest.fixture
def path(tmp_path: Path) -> Path:
    made = tmp_path / "a.night"
    with Journal.create(made, NIGHT) as journal:
        journal.write(numbered(0, 3), WALL)
    return made


def calls(connection: sqlite3.Connection) -> Callable[[], int]:
    """How often the function `effect` was called on a connection, from now on."""
    called: list[None] = []

    def effect() -> int:
        called.append(None)
        return 1

    connection.create_function("effect", 0, effect, deterministic=True)
    return lambda: len(called)


def plant(path: Path, statements: str) -> None:
    with closing(sqlite3.connect(path)) as connection:
        calls(connection)
        connection.executescript(f"{statements}; PRAGMA wal_checkpoint(TRUNCATE)")


@pytest.mark.parametrize("called", CALLS)
def test_nothing_in_the_layout_calls_anything(path: Path, called: str) -> None:
    statements, runs = CALLS[called]
    plant(path, statements)
    for is_wary in (False, True):
        with closing(sqlite3.connect(path)) as connection:
            count = calls(connection)
            if not is_wary:
                connection.execute(runs).fetchall()
                assert count() > 0
                continue
            distrust(connection)
            with pytest.raises(sqlite3.DatabaseError, match=r"unsafe use of effect\(\)"):
                connection.execute(runs).fetchall()
            assert count() == 0


@pytest.mark.parametrize("held", RUNS)
def test_what_runs_by_itself_is_no_journal(path: Path, held: str) -> None:
    statements, runs = RUNS[held]
    plant(path, statements)
    says = f"it holds a {held.partition(' of a night')[0]}, which no journal does"
    with closing(sqlite3.connect(path)) as connection:
        count = calls(connection)
        connection.execute(runs).fetchall()
        assert count() > 0 or "module" in held or "night" in held
    with pytest.raises(JournalError, match=f"{path} cannot be read: {says}"):
        open_read(path)
    with pytest.raises(sqlite3.DatabaseError, match=says):
        wary(sqlite3.connect(path))
    with pytest.raises(sqlite3.DatabaseError, match=says):
        ready.read(path)
    told = CliRunner().invoke(main, ["log", "--journal", str(path)])
    assert told.exit_code == 1 and says in told.output


def test_a_night_that_never_ends_is_not_begun(path: Path) -> None:
    """A view can reckon for ever: no clock has to stop it, since it is not asked."""
    ever = "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n) SELECT max(i) AS begun, 0 AS zero FROM n"
    plant(path, f"ALTER TABLE night RENAME TO real; CREATE VIEW night AS {ever}")
    with pytest.raises(JournalError, match="it holds a view"):
        open_read(path)


def test_what_is_brought_home_runs_no_trigger(tmp_path: Path) -> None:
    path = tmp_path / "a.night"
    with killed(path, "gate.clear(); recorder.write([PRESS], WALL, MOVED)"):
        pass
    there = spool_path(path)
    kept, aside = there.read_bytes(), tmp_path / "aside"
    shutil.copy(path, aside)
    shutil.copy(f"{path}-wal", f"{aside}-wal")
    plant(path, "CREATE TRIGGER after AFTER INSERT ON story BEGIN DELETE FROM story; END")
    try:
        bring_home(path)
        # What was on its way still is.
        assert there.read_bytes() == kept
        with closing(sqlite3.connect(path)) as connection:
            assert connection.execute("SELECT count(*) FROM story").fetchone() == (0,)
            connection.execute("DROP TRIGGER after")
        assert bring_home(path) is None
        assert story(path) == [PRESS]
    finally:
        with suppress(FileNotFoundError):
            there.unlink()


def test_whatever_is_read_is_read_without_trust(path: Path, tmp_path: Path) -> None:
    """Of an earlier layout a copy in memory is read, which is another connection."""
    old = tmp_path / "old.night"
    first_layout(old)
    plant(old, "CREATE TABLE other (a, b AS (abs(a)))")
    for one, told in ((path, numbered(0, 3)), (old, ROWS)):
        with closing(open_read(one)) as connection:
            assert [row for _, _, row in rows(connection)] == told
            for pragma, is_ in (("trusted_schema", 0), ("cell_size_check", 1)):
                assert connection.execute(f"PRAGMA {pragma}").fetchone() == (is_,)


def test_a_journal_of_ours_is_read_as_ever(tmp_path: Path) -> None:
    path = tmp_path / "a.night"
    recorder = begin(path, NIGHT, lambda _: None)
    recorder.write([PRESS], WALL)
    # While it is written, whatever of it is there by then, and afterwards.
    assert story(path) in ([], [PRESS])
    recorder.close()
    assert story(path) == [PRESS]
    assert ready.read(path) is not None
