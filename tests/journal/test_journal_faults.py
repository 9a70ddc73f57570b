"""Nothing that a disk does reaches the caller or loses a row."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from itertools import count
from pathlib import Path

import pytest

from stagectl.errors import JournalError
from stagectl.journal import write as writing
from stagectl.journal.read import open_read, rows
from stagectl.journal.write import CATCH_UP_MAX, Journal, connect
from stagectl.story.rows import Row

from .faults import Faults
from .nights import CHANGE, NIGHT, PRESS, SILENCED, WALL, numbered, story, whole


def _play(path: Path, faults: Faults) -> list[Row] | None:
    """A short night. Returns the rows it was given, or None where it could not be begun."""
    try:
        journal = Journal.create(path, NIGHT, connect=faults.connect)
    except JournalError:
        assert list(path.parent.iterdir()) == []
        return None
    given: list[Row] = []
    with journal:
        for n in range(3):
            some = [PRESS._replace(at=n), CHANGE._replace(at=n), SILENCED._replace(at=n), PRESS._replace(at=n)]
            journal.write(some[n % 2 :], WALL + n)
            given += some[n % 2 :]
            journal.checkpoint()
        if faults.met and faults.lasting:
            assert journal.trouble
            faults.heal()
            assert journal.retry() or journal.retry(), "the first may find a transaction that could not be undone"
            assert journal.checkpoint()
            assert journal.trouble is None
    assert journal.held == journal.lost == 0
    return given


@pytest.mark.parametrize("late", [False, True])
@pytest.mark.parametrize("lasting", [False, True])
def test_any_call_may_fail(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, lasting: bool, late: bool) -> None:
    monkeypatch.setattr(writing, "WAL_MAX", 0)
    for nth in count(1):
        faults = Faults(nth, lasting=lasting, late=late)
        folder = tmp_path / str(nth)
        folder.mkdir()
        path = folder / "n.night"
        given = _play(path, faults)
        if given is not None:
            assert list(folder.iterdir()) == [path]
            assert story(path) == given
            assert whole(path)
        if not faults.met:
            assert nth > 30
            return


def test_a_full_disk_is_told_held_and_written_when_there_is_room(tmp_path: Path) -> None:
    connections: list[sqlite3.Connection] = []

    def kept(path: Path) -> sqlite3.Connection:
        connections.append(connect(path))
        return connections[-1]

    path = tmp_path / "n.night"
    with Journal.create(path, NIGHT, connect=kept) as journal:
        connections[0].execute("PRAGMA max_page_count = 5")
        for at in range(0, 500, 10):
            journal.write(numbered(at, 10), WALL)
        held = journal.held
        assert 0 < held < 500
        assert journal.trouble == f"The journal {path} cannot be written: the disk is full. Changes are held in memory."
        assert not journal.retry()
        assert story(path) == numbered(0, 500 - held), "what was there stays there"
        connections[0].execute("PRAGMA max_page_count = 1000000")
        assert journal.retry()
        assert journal.trouble is None
        assert story(path) == numbered(0, 500)
    assert whole(path)


def test_a_lock_of_another_program_holds_rows_until_it_is_gone(tmp_path: Path) -> None:
    path = tmp_path / "n.night"
    with Journal.create(path, NIGHT) as journal:
        journal.write(numbered(0, 2), WALL)
        with closing(connect(path)) as other:
            other.execute("BEGIN EXCLUSIVE")
            journal.write(numbered(2, 2), WALL)
            assert journal.held == 2
            assert "another program has locked it" in str(journal.trouble)
            journal.write(numbered(4, 2), WALL)
            assert journal.held == 4
            other.execute("ROLLBACK")
        journal.write(numbered(6, 2), WALL)
        assert (journal.held, journal.trouble) == (0, None)
    assert story(path) == numbered(0, 8)


def test_closing_writes_what_is_held(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(writing, "CATCH_UP_MAX", 3)
    path, faults = tmp_path / "n.night", Faults(-1)
    journal = Journal.create(path, NIGHT, connect=faults.connect)
    faults.nth, faults.lasting = 0, True
    journal.write(numbered(0, 10), WALL)
    assert journal.held == 10
    faults.heal()
    journal.close()
    assert journal.held == 0
    assert story(path) == numbered(0, 10)


def test_a_journal_that_is_closed_in_trouble_says_what_it_still_holds(tmp_path: Path) -> None:
    path, faults = tmp_path / "n.night", Faults(-1)
    journal = Journal.create(path, NIGHT, connect=faults.connect)
    journal.write(numbered(0, 1), WALL)
    faults.nth, faults.lasting = 0, True
    journal.write(numbered(1, 2), WALL)
    journal.close()
    journal.close()
    assert journal.held == 2
    assert journal.trouble
    journal.write(numbered(3, 1), WALL)
    assert journal.held == 3
    assert "is closed" in str(journal.trouble)
    assert story(path) == numbered(0, 1)


@pytest.mark.parametrize(("given", "lost"), [(19, 0), (20, 0), (21, 1), (200, 180)])
@pytest.mark.parametrize("at_once", [False, True])
def test_rows_over_the_bound_are_counted_and_the_count_is_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, given: int, lost: int, at_once: bool
) -> None:
    monkeypatch.setattr(writing, "HELD_MAX", 20)
    path, faults = tmp_path / "n.night", Faults(-1)
    with Journal.create(path, NIGHT, connect=faults.connect) as journal:
        journal.write(numbered(0, 5), WALL)
        faults.nth, faults.lasting = 0, True
        for some in [numbered(5, given)] if at_once else [[row] for row in numbered(5, given)]:
            journal.write(some, WALL)
        assert journal.held == given - lost
        assert journal.lost == lost
        faults.heal()
        assert journal.retry()
        journal.write(numbered(5 + given, 1), WALL)
        assert (journal.held, journal.lost) == (0, lost)
    rows_ = "row" if lost == 1 else "rows"
    gap = [Row(4 + lost, "link", who="journal", what=f"missing {lost} {rows_}")] if lost else []
    assert story(path) == numbered(0, 5) + gap + numbered(5 + lost, given - lost + 1)


def test_a_press_after_a_fault_writes_no_more_than_its_share(tmp_path: Path) -> None:
    path, faults = tmp_path / "n.night", Faults(-1)
    with Journal.create(path, NIGHT, connect=faults.connect) as journal:
        faults.nth, faults.lasting = 0, True
        journal.write(numbered(0, 2 * CATCH_UP_MAX), WALL)
        faults.heal()
        journal.write(numbered(2 * CATCH_UP_MAX, 1), WALL)
        assert journal.held == CATCH_UP_MAX + 1
        assert journal.trouble, "not over while rows are held"
        assert not journal.retry()
        assert journal.retry()
        assert journal.trouble is None
    assert story(path) == numbered(0, 2 * CATCH_UP_MAX + 1)


@pytest.mark.parametrize("unfit", [CHANGE._replace(at=1, after=2**63), CHANGE._replace(at=2**63)])
def test_a_row_that_cannot_be_stored_is_told_and_stops_no_other(tmp_path: Path, unfit: Row) -> None:
    path = tmp_path / "n.night"
    with Journal.create(path, NIGHT) as journal:
        journal.write([PRESS, unfit, SILENCED], WALL)
        assert (journal.held, journal.lost, journal.trouble) == (0, 1, None)
    first, told, last = story(path)
    assert (first, last) == (PRESS, SILENCED)
    assert (told.kind, told.who, told.what) == ("link", "journal", "missing 1 row")
    assert "'lead vocal'" in str(told.detail)


def test_a_name_that_is_no_text_is_written_out(tmp_path: Path) -> None:
    path = tmp_path / "n.night"
    trouble = Row(1, "trouble", what="/home/caf\udce9/left.wav: \ud83c")
    with Journal.create(path, NIGHT) as journal:
        journal.write([PRESS, trouble, SILENCED], WALL)
        assert (journal.held, journal.lost, journal.trouble) == (0, 0, None)
    assert story(path) == [PRESS, trouble._replace(what=r"/home/caf\udce9/left.wav: \ud83c"), SILENCED]


def test_a_checkpoint_that_fails_is_told_until_one_succeeds(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path, beside, faults = tmp_path / "n.night", tmp_path / "n.night-wal", Faults(-1)
    with Journal.create(path, NIGHT, connect=faults.connect) as journal:
        journal.write(numbered(0, 1), WALL)
        beside.rename(tmp_path / "away")
        assert not journal.checkpoint()
        assert "No such file" in str(journal.trouble)
        (tmp_path / "away").rename(beside)
        assert journal.checkpoint()
        assert journal.trouble is None
        monkeypatch.setattr(writing, "WAL_MAX", 0)
        faults.nth = faults.calls + 1
        assert not journal.checkpoint()
        assert journal.trouble == f"The journal {path} is written but not made safe: an invented fault."
        journal.write(numbered(1, 1), WALL)
        assert journal.trouble
        assert journal.checkpoint()
        assert journal.trouble is None
    assert journal.checkpoint(), "a closed journal is safe"


def test_a_slow_reader_stops_neither_writing_nor_checkpoints(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(writing, "WAL_MAX", 0)
    path = tmp_path / "n.night"
    with Journal.create(path, NIGHT) as journal:
        journal.write(numbered(0, 3), WALL)
        with closing(open_read(path)) as reader:
            reading = rows(reader)
            next(reading)
            journal.write(numbered(3, 3), WALL)
            assert journal.checkpoint()
            assert [row for _, _, row in reading] == numbered(1, 5)
            journal.close()
        assert journal.held == 0
    assert story(path) == numbered(0, 6)
