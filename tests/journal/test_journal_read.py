"""Finding a night's file, and refusing what is none."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from stagectl.errors import JournalError
from stagectl.journal.paths import new_path, nights, ordered
from stagectl.journal.read import latest, open_read, rows
from stagectl.journal.schema import VERSION
from stagectl.journal.write import Journal

from .nights import NIGHT, WALL


def _begin(path: Path) -> Path:
    Journal.create(path, NIGHT).close()
    return path


def test_the_service_managers_folder_comes_first(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STATE_DIRECTORY", f"{tmp_path}:/elsewhere")
    assert nights() == tmp_path / "nights"
    monkeypatch.delenv("STATE_DIRECTORY")
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    assert nights().name == "nights"
    assert nights().parent.name == "stagectl"


def test_each_night_has_a_name_of_its_own_and_the_last_is_found(tmp_path: Path) -> None:
    folder = tmp_path / "nights"
    assert latest(folder) is None
    names = []
    for _ in range(11):
        path = _begin(new_path(folder, WALL))
        names.append(path.name)
        assert latest(folder) == path
    assert names[:2] == ["2026-11-25T19-30-00.night", "2026-11-25T19-30-00-2.night"]
    assert names[-1] == "2026-11-25T19-30-00-11.night"
    later = _begin(new_path(folder, WALL + 1_000_000))
    assert latest(folder) == later


def test_a_night_that_begins_by_a_clock_that_is_behind_is_the_last(tmp_path: Path) -> None:
    folder, spare = tmp_path / "nights", tmp_path / "spare"
    _begin(new_path(folder, WALL))
    _begin(new_path(spare, WALL + 3_600_000_000))
    behind = _begin(new_path(folder, WALL - 86_400_000_000, spare))
    assert behind.name == "2026-11-25T20-30-00-2.night"
    assert latest(folder, spare) == behind
    assert new_path(folder, WALL, spare).name == "2026-11-25T20-30-00-3.night"


def test_a_journal_with_a_name_that_somebody_has_given_it_is_none_of_the_last(tmp_path: Path) -> None:
    path = _begin(new_path(tmp_path, WALL))
    wedding = _begin(tmp_path / "wedding.night")
    assert ordered(tmp_path) == [path, wedding]
    assert new_path(tmp_path, WALL + 1_000_000).name == "2026-11-25T19-30-01.night"


def test_a_journal_that_was_never_finished_beginning_is_passed_over(tmp_path: Path) -> None:
    path = _begin(new_path(tmp_path, WALL))
    (tmp_path / "2027-01-01T00-00-00.night").touch()
    (tmp_path / "2027-01-02T00-00-00.night").mkdir()
    (tmp_path / "2027-01-03T00-00-00.night").write_bytes(path.read_bytes()[:60])
    (tmp_path / "notes.txt").touch()
    assert latest(tmp_path) == path


def test_what_is_no_journal_is_refused_in_plain_words(tmp_path: Path) -> None:
    with pytest.raises(JournalError, match=r"There is no journal at .*none\.night\."):
        open_read(tmp_path / "none.night")
    text = tmp_path / "text.night"
    text.write_text("Dear diary")
    other = tmp_path / "other.night"
    with closing(sqlite3.connect(other)) as connection:
        connection.execute("CREATE TABLE stamps (id)")
    for path in (text, other, tmp_path):
        with pytest.raises(JournalError, match=r"no journal|not a journal"):
            open_read(path)


def test_a_journal_of_a_newer_version_is_refused(tmp_path: Path) -> None:
    path = _begin(tmp_path / "n.night")
    with closing(sqlite3.connect(path)) as connection:
        connection.execute(f"PRAGMA user_version = {VERSION + 1}")
    with pytest.raises(JournalError, match=f"newer version of stagectl: its layout is {VERSION + 1}"):
        open_read(path)


def test_a_journal_without_its_tables_is_refused(tmp_path: Path) -> None:
    path = _begin(tmp_path / "n.night")
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("DELETE FROM night")
        with pytest.raises(JournalError, match="does not say which"):
            open_read(path)
        connection.execute("DROP TABLE night")
        with pytest.raises(JournalError, match="cannot be read: no such table"):
            open_read(path)


def test_a_damaged_journal_is_refused(tmp_path: Path) -> None:
    path = _begin(tmp_path / "n.night")
    whole = path.read_bytes()
    path.write_bytes(whole[:4096] + b"\xff" * (len(whole) - 4096))
    with pytest.raises(JournalError, match="the file is damaged"), closing(open_read(path)) as connection:
        list(rows(connection))


def test_a_reader_cannot_write(tmp_path: Path) -> None:
    with (
        closing(open_read(_begin(tmp_path / "odd ?name#%41.night"))) as connection,
        pytest.raises(sqlite3.OperationalError),
    ):
        connection.execute("DELETE FROM night")


@pytest.mark.parametrize("module", ["stagectl.journal.read", "stagectl.journal.write"])
def test_the_journal_knows_the_story_and_nothing_of_the_rooms_beside_it(module: str) -> None:
    code = f"import sys, {module}; print(*sorted(m for m in sys.modules if m.startswith('stagectl.')))"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    assert {name.split(".")[1] for name in out} == {"core", "errors", "journal", "story"}
