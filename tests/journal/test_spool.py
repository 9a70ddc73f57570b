"""Whose lines are on their way, and where to: journals moved, copied and replaced; readers beside a writer."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from stagectl.journal import claim, spool
from stagectl.journal.claim import Claim, ClaimedError, looking, nobodys, running
from stagectl.journal.record import begin, go_on
from stagectl.journal.spool import bring_home, on_its_way, spool_of, spool_path, writer_of
from stagectl.journal.write import Journal

from .nights import NIGHT, PRESS, WALL, numbered, story, whole
from .test_record import MOVED, killed, silent

ON_ITS_WAY = "gate.clear(); [recorder.write([PRESS._replace(at=at)], WALL, MOVED) for at in range(5)]"
THE_FIVE = [PRESS._replace(at=at) for at in range(5)]
ANOTHER = replace(NIGHT, begun_us=WALL + 1)


@pytest.fixture(autouse=True)
def memory(tmp_path: Path) -> Iterator[None]:
    """What a test leaves in memory goes with it."""
    yield
    for path in running().glob("*.spool"):
        if tmp_path in (spool._where(path) or Path()).parents:
            path.unlink()


def test_a_journal_that_was_moved_gets_what_was_on_its_way(tmp_path: Path) -> None:
    path, moved = tmp_path / "a.night", tmp_path / "b.night"
    with killed(path, ON_ITS_WAY):
        pass
    there = spool_path(path)
    assert there.exists()
    for end in ("", "-wal", "-shm"):
        Path(f"{path}{end}").rename(f"{moved}{end}")
    assert spool_of(moved) == there
    assert story(moved) == THE_FIVE
    assert on_its_way(moved) == [] and bring_home(moved) is None


def test_a_copy_gets_nothing_of_it(tmp_path: Path) -> None:
    path, copy = tmp_path / "a.night", tmp_path / "b.night"
    with killed(path, ON_ITS_WAY):
        pass
    shutil.copy(path, copy)
    shutil.copy(f"{path}-wal", f"{copy}-wal")
    assert story(copy) == [] and on_its_way(copy) == []
    assert story(path) == THE_FIVE


@pytest.mark.parametrize("how", ["begun", "only read"])
def test_another_night_in_its_place_gets_nothing_of_it_and_takes_nothing_away(tmp_path: Path, how: str) -> None:
    path, moved = tmp_path / "a.night", tmp_path / "b.night"
    with killed(path, ON_ITS_WAY):
        pass
    for end in ("", "-wal", "-shm"):
        Path(f"{path}{end}").rename(f"{moved}{end}")
    if how == "begun":
        recorder = begin(path, ANOTHER, silent)
        recorder.write(numbered(7, 1), WALL)
        # While it is played: the moved one finds its own, and nobody takes it for played.
        assert writer_of(path) == os.getpid() and writer_of(moved) is None
        recorder.close()
    else:
        with Journal.create(path, ANOTHER) as journal:
            journal.write(numbered(7, 1), WALL)
    assert story(path) == numbered(7, 1)
    assert story(moved) == THE_FIVE
    assert spool_of(path) is None and on_its_way(moved) == []


def test_a_moved_night_goes_on_where_it_is_now(tmp_path: Path) -> None:
    path, moved = tmp_path / "a.night", tmp_path / "b.night"
    with killed(path, ON_ITS_WAY):
        pass
    for end in ("", "-wal", "-shm"):
        Path(f"{path}{end}").rename(f"{moved}{end}")
    recorder = go_on(moved, None, silent)
    assert writer_of(moved) == os.getpid()
    recorder.write(numbered(7, 1), WALL)
    recorder.close()
    assert story(moved) == [*THE_FIVE, *numbered(7, 1)]


def test_a_row_that_no_table_takes_keeps_no_other_from_being_brought_home(tmp_path: Path) -> None:
    path = tmp_path / "unfit.night"
    with killed(path, f"{ON_ITS_WAY}; recorder.write([PRESS._replace(at=2**63)], WALL)"):
        pass
    assert bring_home(path) is None
    *five, told = story(path)
    assert five == THE_FIVE and told.what == "missing 1 row"


# -- readers --------------------------------------------------------------------------------------------------


@contextmanager
def stuck_reader(path: Path) -> Iterator[int]:
    """A process that reads a journal of a killed night, and hangs in bringing home what was on its way."""
    text = f"""
import sys, threading
from pathlib import Path
from stagectl.journal import spool
def put(disk, lines):
    print("here", flush=True)
    threading.Event().wait()
spool.put = put
spool.bring_home(Path({str(path)!r}))
"""
    process = subprocess.Popen([sys.executable, "-c", text], stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None and process.stdout.readline() == "here\n"
        yield process.pid
    finally:
        process.kill()
        process.communicate()


def test_a_reader_that_hangs_is_no_writer_and_keeps_no_night_from_going_on(tmp_path: Path) -> None:
    path = tmp_path / "read.night"
    with killed(path, ON_ITS_WAY):
        pass
    with stuck_reader(path):
        assert writer_of(path) is None
        recorder = go_on(path, None, silent)
        recorder.write(numbered(7, 1), WALL, MOVED)
        assert writer_of(path) == os.getpid()
        recorder.close()
    assert story(path) == [*THE_FIVE, *numbered(7, 1)]
    assert whole(path)


def test_a_reader_that_comes_late_takes_nothing_of_the_writers_away(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The night goes on between the reader's look and its writing: what is on its way then is the writer's."""
    path, real = tmp_path / "late.night", spool.put
    with killed(path, ON_ITS_WAY):
        pass
    recorders = []

    def put(disk: sqlite3.Connection, lines: list[tuple[object, ...]]) -> None:
        monkeypatch.setattr(spool, "put", real)
        recorders.append(go_on(path, None, silent))
        recorders[0].write(numbered(7, 1), WALL)
        real(disk, lines)  # type: ignore[arg-type]

    monkeypatch.setattr(spool, "put", put)
    assert bring_home(path) is None
    assert [line[2] for line in on_its_way(path)] == [7]
    assert writer_of(path) == os.getpid()
    recorders[0].close()
    assert story(path) == [*THE_FIVE, *numbered(7, 1)]


def test_a_claim_waits_for_those_who_look_but_not_for_ever(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.spool"
    Claim(path).give_up()
    path.write_bytes(b"")
    tries: list[float] = []
    with looking(path) as file:
        assert file is not None and nobodys(path, file, shared=True)
        assert claim.holder_of(path) is None, "who looks is no writer"
        monkeypatch.setattr(time, "sleep", tries.append)
        monkeypatch.setattr(claim, "READS_S", 0.01)
        with pytest.raises(ClaimedError, match="another process"):
            Claim(path)
        assert tries
    Claim(path).give_up()
