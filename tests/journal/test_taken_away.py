"""A journal, or what is on its way into it, is taken away while the night is played."""

from __future__ import annotations

import os
import shutil
import sqlite3
import threading
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from stagectl.journal import anew, record
from stagectl.journal.read import files, night, open_read
from stagectl.journal.record import Recorder, begin
from stagectl.journal.spool import Spool, on_its_way, spool_path, writer_of
from stagectl.journal.write import Journal

from .nights import NIGHT, PRESS, WALL, numbered, story, whole
from .test_record import MOVED, settled

FILES = {"/a/setlist.yaml": b"title: a"}


def delete(path: Path) -> None:
    path.unlink()


def delete_all(path: Path) -> None:
    for one in path.parent.glob(path.name + "*"):
        one.unlink()


def delete_folder(path: Path) -> None:
    shutil.rmtree(path.parent)


def rename(path: Path) -> None:
    path.rename(path.with_name("moved.night"))


def delete_what_is_beside(path: Path) -> None:
    Path(f"{path}-wal").unlink()


WAYS = [delete, delete_all, delete_folder, rename, delete_what_is_beside]


@pytest.mark.parametrize("take_away", WAYS)
def test_a_journal_that_is_taken_away_is_written_anew_with_all_that_was_in_it(
    tmp_path: Path, take_away: Callable[[Path], None]
) -> None:
    path = tmp_path / "nights" / "a.night"
    with Journal.create(path, replace(NIGHT, files=FILES)) as journal:
        assert journal.look() is None
        journal.write([PRESS], WALL, MOVED)
        take_away(path)
        journal.write(numbered(1, 2), WALL)
        told = journal.look()
        assert told == f"The journal {path} was deleted or moved while it is played: it is written anew, all of it."
        assert journal.look() is None
        journal.write(numbered(3, 1), WALL)
        assert (journal.held, journal.lost, journal.trouble) == (0, 0, None)
        assert journal.checkpoint()
        assert story(path) == [PRESS, *numbered(1, 3)]
    assert story(path) == [PRESS, *numbered(1, 3)]
    assert whole(path)
    with closing(open_read(path)) as connection:
        assert files(connection) == {0: FILES} and night(connection) == NIGHT
    # Read by SQLite alone, with nothing beside it.
    assert [one.name for one in path.parent.glob("a.night*")] == ["a.night"]
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("SELECT count(*), (SELECT count(*) FROM heard) FROM story").fetchone() == (4, 1)


def test_another_file_in_its_place_is_let_be(tmp_path: Path) -> None:
    path = tmp_path / "a.night"
    with Journal.create(path, NIGHT) as journal:
        journal.write([PRESS], WALL)
        path.unlink()
        path.write_text("mine")
        assert str(journal.look()).endswith(f"it is written anew as {tmp_path / 'a-2.night'}, all of it.")
        journal.write(numbered(1, 1), WALL)
        assert journal.path == tmp_path / "a-2.night"
    assert path.read_text() == "mine"
    assert story(tmp_path / "a-2.night") == [PRESS, *numbered(1, 1)]


class FailsAt:
    """Calls of the system, the Nth of which finds the disk full."""

    def __init__(self, nth: int) -> None:
        self.nth, self.calls = nth, 0

    def __call__(self, real: Callable[..., object]) -> Callable[..., object]:
        def call(*given: object, **named: object) -> object:
            self.calls += 1
            if self.calls == self.nth:
                full()
            return real(*given, **named)

        return call


def test_what_cannot_be_written_anew_is_told_and_tried_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Fail each call in turn: nothing is lost, and as soon as it can be, all of it is there."""
    failed = 0
    for nth in range(1, 30):
        path, fails = tmp_path / f"{nth}.night", FailsAt(nth)
        with Journal.create(path, NIGHT) as journal:
            journal.write([PRESS], WALL)
            path.unlink()
            with monkeypatch.context() as patch:
                for where, name in ((os, "fsync"), (Path, "replace"), (Path, "unlink"), (sqlite3, "connect")):
                    patch.setattr(where, name, fails(getattr(where, name)))
                journal.look()
            journal.write(numbered(1, 1), WALL)
            if journal.trouble is not None:
                failed += 1
                assert "cannot be written anew: No space left on device" in journal.trouble
                assert journal.look() is not None and journal.trouble is None
        assert story(path) == [PRESS, *numbered(1, 1)], nth
        assert [one.name for one in tmp_path.glob(f"{nth}[.-]*")] == [path.name]
        if fails.calls < nth:
            assert failed > 5
            return
    raise AssertionError("it never ends")


def test_one_that_goes_on_being_taken_away_is_only_told_in_the_end(tmp_path: Path) -> None:
    path = tmp_path / "a.night"
    with Journal.create(path, NIGHT) as journal:
        for _ in range(anew.ANEW_MAX):
            path.unlink()
            assert journal.look() is not None
        path.unlink()
        assert journal.look() is None
        assert f"that was done {anew.ANEW_MAX} times already" in str(journal.trouble)


def test_a_night_notices_and_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(record, "SYNC_S", 0.0)
    told: list[str | None] = []
    path, news = tmp_path / "a.night", threading.Semaphore(0)

    def tell(sentence: str | None) -> None:
        told.append(sentence)
        news.release()

    recorder = begin(path, NIGHT, tell)
    recorder.write([PRESS], WALL)
    settled(recorder)
    path.unlink()
    recorder.go()
    assert news.acquire(timeout=10)
    assert told[0] is not None and "it is written anew" in told[0]
    recorder.write(numbered(1, 1), WALL)
    recorder.close()
    assert story(path) == [PRESS, *numbered(1, 1)]
    assert None not in told


def test_a_journal_that_is_deleted_at_the_very_end_is_there(tmp_path: Path) -> None:
    told: list[str | None] = []
    path = tmp_path / "a.night"
    recorder = begin(path, NIGHT, told.append)
    recorder.write([PRESS], WALL)
    settled(recorder)
    path.unlink()
    recorder.close()
    assert story(path) == [PRESS] and len(told) == 1


def noticed(recorder: Recorder) -> None:
    """What the recorder's thread does once a second."""
    recorder._look()
    recorder.go()


def test_what_is_on_its_way_is_kept_anew_where_its_file_is_taken_away(tmp_path: Path) -> None:
    """The end of a user's session may delete what the user has in memory (systemd-logind, `RemoveIPC`)."""
    told: list[str | None] = []
    path = tmp_path / "a.night"
    recorder = begin(path, NIGHT, told.append)
    recorder.write([PRESS], WALL, MOVED)
    before = spool_path(path).read_bytes()
    writer = writer_of(path)
    spool_path(path).unlink()
    assert writer is not None and writer_of(path) is None
    noticed(recorder)
    assert spool_path(path).read_bytes() == before
    assert writer_of(path) == writer, "and it is claimed again"
    recorder.write(numbered(1, 1), WALL)
    assert len(on_its_way(path)) == 3
    recorder.close()
    assert not told and not spool_path(path).exists()
    assert story(path) == [PRESS, *numbered(1, 1)]


def test_where_it_cannot_be_kept_that_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    told: list[str | None] = []
    path = tmp_path / "a.night"
    recorder = begin(path, NIGHT, told.append)
    spool_path(path).unlink()
    monkeypatch.setattr(Spool, "_write", full)
    noticed(recorder)
    assert told[0] is not None and told[0].endswith(f"No space left on device: {record.NO_SPOOL}.")
    recorder.write([PRESS], WALL)
    recorder.close()
    assert story(path) == [PRESS]


def full(*_: object) -> None:
    raise OSError(28, "No space left on device")
