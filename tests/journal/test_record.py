"""The record of a night: in memory before anything leaves, on the disk whenever the disk likes; and after a kill."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from stagectl.errors import JournalError
from stagectl.journal import record, spool
from stagectl.journal import write as writes
from stagectl.journal.read import events, open_read
from stagectl.journal.record import Recorder, begin, go_on
from stagectl.journal.schema import Packed
from stagectl.journal.spool import on_its_way, spool_path, writer_of
from stagectl.journal.write import BUSY_S, connect
from stagectl.story.entry import Heard

from .faults import Faults
from .nights import NIGHT, PRESS, WALL, numbered, story, whole

MOVED = Heard(7_250_000_000, 0, 0, 1, 127, b"\xb0\x50\x7f")
LIMIT_S = 10
TESTS = Path(__file__).resolve().parents[1]


def silent(_: str | None) -> None:
    """Nobody is told."""


def settled(recorder: Recorder) -> None:
    """Wait until everything is on the disk."""
    recorder.go()
    for _ in range(1_000):
        if not recorder.unwritten:
            return
        threading.Event().wait(0.005)
    raise AssertionError(f"{recorder.unwritten} lines are still in memory")


class Gate:
    """A disk that takes its time: every write waits until the gate is open. Opening the file is a write, too."""

    def __init__(self) -> None:
        self.open = threading.Event()
        self.open.set()
        self.waits = threading.Event()

    def connect(self, path: Path) -> sqlite3.Connection:
        gate = self

        class Slow(sqlite3.Connection):
            def execute(self, sql: str, parameters: object = (), /) -> sqlite3.Cursor:
                if not gate.open.is_set():
                    gate.waits.set()
                    assert gate.open.wait(LIMIT_S)
                return super().execute(sql, parameters)  # type: ignore[arg-type]

        return sqlite3.connect(path, timeout=BUSY_S, isolation_level=None, factory=Slow, check_same_thread=False)


def test_events_and_rows_are_numbered_together_and_come_back(tmp_path: Path) -> None:
    path = tmp_path / "a.night"
    recorder = begin(path, NIGHT, silent)
    last = recorder.write([PRESS], WALL, MOVED)
    assert last == 2
    recorder.left(last, 431_900)
    assert recorder.write([], WALL, MOVED._replace(three=0, said=None)) == 3
    recorder.go()
    recorder.close()
    assert story(path) == [PRESS._replace(number=431)]
    with closing(open_read(path)) as connection:
        assert list(events(connection)) == [(1, MOVED), (3, MOVED._replace(three=0, said=None))]
    assert not spool_path(path).exists()
    assert whole(path)


def test_no_press_waits_for_a_disk_that_takes_its_time(tmp_path: Path) -> None:
    """The gate stays shut for as long as the presses take: a press that waited for it would never come back."""
    gate, path = Gate(), tmp_path / "slow.night"
    recorder = begin(path, NIGHT, silent, connect=gate.connect)
    gate.open.clear()
    for row in numbered(0, 500):
        recorder.write([row], WALL, MOVED)
        recorder.go()
    assert gate.waits.wait(LIMIT_S)
    assert story(path) == []
    assert len([line for line in on_its_way(path) if len(line) > 10]) == 500
    gate.open.set()
    recorder.close()
    assert story(path) == numbered(0, 500)


def stuck(path: Path, monkeypatch: pytest.MonkeyPatch) -> tuple[Recorder, Gate]:
    """A recorder whose disk stands still over a press, and 50 rows later: more than wait in memory."""
    monkeypatch.setattr(record, "QUEUE_MAX", 20)
    gate = Gate()
    recorder = begin(path, NIGHT, silent, connect=gate.connect)
    gate.open.clear()
    recorder.write([PRESS], WALL)
    recorder.go()
    assert gate.waits.wait(LIMIT_S)
    for row in numbered(0, 50):
        recorder.write([row], WALL)
    return recorder, gate


def fetched(recorder: Recorder) -> None:
    """Wait until nothing is in the spool alone, and everything is on the disk."""
    until = time.monotonic() + LIMIT_S
    while recorder._spilt and time.monotonic() < until:
        recorder.go()
    assert not recorder._spilt and recorder.unwritten == 0


@pytest.mark.parametrize("room", [True, False])
def test_a_disk_that_stands_still_for_too_long_costs_the_oldest_where_memory_has_no_room_either(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, room: bool
) -> None:
    if not room:
        monkeypatch.setattr(spool, "SPOOL_MAX", 300)
    path = tmp_path / "still.night"
    recorder, gate = stuck(path, monkeypatch)
    gate.open.set()
    recorder.close()
    if room:
        # The spool had them all.
        assert story(path) == [PRESS, *numbered(0, 50)]
        assert recorder.unwritten == 0 and on_its_way(path) == []
        return
    first, missing, *rest = story(path)
    assert first == PRESS and (missing.who, missing.what) == ("journal", "missing 30 rows")
    assert rest == numbered(30, 20)
    assert recorder.unwritten == 30


def test_what_a_disk_that_stood_still_has_left_to_the_spool_comes_to_it_when_it_is_well_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And then the spool is emptied as before: it does not hold the rest of the night."""
    monkeypatch.setattr(record, "SYNC_S", 0.0)
    monkeypatch.setattr(spool, "KEEPS", 1_000)
    path = tmp_path / "still.night"
    recorder, gate = stuck(path, monkeypatch)
    assert recorder._spilt and spool_path(path).stat().st_size > 2_000
    gate.open.set()
    fetched(recorder)
    recorder.write(numbered(50, 1), WALL)
    assert spool_path(path).stat().st_size < 1_000
    recorder.close()
    assert story(path) == [PRESS, *numbered(0, 51)]


def test_what_memory_has_no_room_for_while_a_disk_is_full_comes_from_the_spool_when_it_is_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writes, "HELD_MAX", 10)
    monkeypatch.setattr(record, "SYNC_S", 0.0)
    faults, path = Faults(0), tmp_path / "full.night"
    recorder = begin(path, NIGHT, silent, connect=faults.connect)
    faults.nth, faults.lasting = faults.calls + 1, True
    recorder.write([PRESS], WALL)
    for row in numbered(0, 60):
        recorder.write([row], WALL)
        recorder.go()
    until = time.monotonic() + LIMIT_S
    while not recorder._spilt and time.monotonic() < until:
        recorder.go()
    assert recorder._spilt
    faults.heal()
    fetched(recorder)
    recorder.close()
    assert story(path) == [PRESS, *numbered(0, 60)]


def test_trouble_is_told_at_once_and_so_is_its_end(tmp_path: Path) -> None:
    faults, path, told = Faults(0), tmp_path / "full.night", []
    news = threading.Semaphore(0)

    def tell(trouble: str | None) -> None:
        told.append(trouble)
        news.release()

    recorder = begin(path, NIGHT, tell, connect=faults.connect)
    faults.nth, faults.lasting = faults.calls + 1, True
    recorder.write([PRESS], WALL)
    recorder.go()
    assert news.acquire(timeout=LIMIT_S)
    assert told[0] is not None and "cannot be written: an invented fault. Changes are held in memory." in told[0]
    faults.heal()
    recorder.write(numbered(0, 1), WALL)
    recorder.go()
    assert news.acquire(timeout=LIMIT_S)
    assert told[1] is None
    recorder.close()
    assert story(path) == [PRESS, *numbered(0, 1)]


def test_no_room_in_memory_is_told_and_the_night_is_recorded_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(spool, "SPOOL_MAX", 300)
    told: list[str | None] = []
    path = tmp_path / "small.night"
    recorder = begin(path, NIGHT, told.append)
    for row in numbered(0, 20):
        recorder.write([row], WALL)
    settled(recorder)
    recorder.close()
    assert story(path) == numbered(0, 20)
    assert told[0] is not None and record.NO_SPOOL in told[0]


def test_a_busy_night_on_a_slow_disk_is_synced_all_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where there is always something to write, the disk is made to keep it once a second too."""
    monkeypatch.setattr(record, "SYNC_S", 0.0)
    gate, path = Gate(), tmp_path / "busy.night"
    recorder = begin(path, NIGHT, silent, connect=gate.connect)
    synced = threading.Semaphore(0)
    monkeypatch.setattr(recorder._journal, "checkpoint", synced.release)
    recorder.write(numbered(0, 1), WALL)
    for at in range(1, 4):
        # The queue is never empty when a write is done.
        recorder.write(numbered(at, 1), WALL)
        recorder.go()
        assert synced.acquire(timeout=LIMIT_S)
    recorder.close()
    assert story(path) == numbered(0, 4)


def test_what_the_thread_stumbles_over_is_told_and_counted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    told: list[str | None] = []
    news = threading.Semaphore(0)

    def tell(trouble: str | None) -> None:
        told.append(trouble)
        news.release()

    path = tmp_path / "stumbles.night"
    recorder = begin(path, NIGHT, tell)
    put = recorder._journal.put

    def stumbles(batch: Sequence[Packed]) -> None:
        monkeypatch.setattr(recorder._journal, "put", put)
        raise RuntimeError("an invented fault")

    monkeypatch.setattr(recorder._journal, "put", stumbles)
    recorder.write([PRESS], WALL)
    recorder.go()
    assert news.acquire(timeout=LIMIT_S)
    assert told[0] is not None and "RuntimeError: an invented fault" in told[0]
    recorder.write(numbered(0, 1), WALL)
    recorder.go()
    recorder.close()
    missing, row = story(path)
    assert (missing.who, missing.what) == ("journal", "missing 1 row") and row == numbered(0, 1)[0]


def test_what_was_on_its_way_when_the_process_was_killed_is_brought_home(tmp_path: Path) -> None:
    """The disk has none of it; the next one to read the journal has it all. What is left of the file in memory says how
    long the process lived; where the night was over, nothing is."""
    path = tmp_path / "killed.night"
    with killed(path, "gate.clear(); [recorder.write([PRESS._replace(at=at)], WALL, MOVED) for at in range(200)]"):
        assert spool_path(path).exists()
    assert writer_of(path) is None
    lived = spool_path(path).stat().st_mtime_ns
    assert story(path) == [PRESS._replace(at=at) for at in range(200)]
    assert on_its_way(path) == [] and spool_path(path).stat().st_mtime_ns == lived
    assert whole(path)
    over = tmp_path / "over.night"
    with killed(over, "gate.clear(); recorder.write([PRESS._replace(kind='end')], WALL, MOVED)"):
        assert spool_path(over).exists()
    assert [row.kind for row in story(over)] == ["end"]
    assert not spool_path(over).exists()


def test_a_line_that_the_kill_cut_off_is_left_out(tmp_path: Path) -> None:
    path = tmp_path / "cut.night"
    with killed(path, "gate.clear(); [recorder.write([PRESS._replace(at=at)], WALL) for at in range(2)]"):
        whole_file = spool_path(path).read_bytes()
    pid, where = whole_file.split(b"\n")[:2]
    for cut in range(len(pid) + 1, len(whole_file)):
        spool_path(path).write_bytes(whole_file[:cut])
        lines = range(1, whole_file[:cut].count(b"\n") - 1)
        assert [line[0] for line in on_its_way(path)] == ([*lines] if cut > len(pid) + len(where) + 1 else [])
    spool_path(path).unlink()


def test_a_night_goes_on_in_the_same_file(tmp_path: Path) -> None:
    path = tmp_path / "again.night"
    with killed(path, "recorder.write([PRESS], WALL, MOVED)"):
        pass
    recorder = go_on(path, {"/a/setlist.yaml": b"title: new"}, silent)
    assert recorder.write(numbered(0, 1), WALL, MOVED) == 4
    recorder.close()
    assert story(path) == [PRESS, *numbered(0, 1)]
    from stagectl.journal.read import files

    with closing(open_read(path)) as connection:
        assert files(connection) == {2: {"/a/setlist.yaml": b"title: new"}}
    assert whole(path)


def test_the_second_process_is_refused_with_the_first_ones_number(tmp_path: Path) -> None:
    path = tmp_path / "two.night"
    with writing(path, "recorder.write([PRESS], WALL); recorder.go()") as writer:
        assert writer_of(path) == writer.pid
        with pytest.raises(JournalError, match=rf"is being written by process {writer.pid}"):
            go_on(path, None, silent)
        # Reading is for everybody, and takes nothing away from the writer.
        assert story(path) in ([], [PRESS])
        assert writer_of(path) == writer.pid


def test_a_damaged_journal_is_not_written_on(tmp_path: Path) -> None:
    path = tmp_path / "damaged.night"
    recorder = begin(path, NIGHT, silent)
    for row in numbered(0, 2_000):
        recorder.write([row], WALL)
    recorder.close()
    raw = bytearray(path.read_bytes())
    raw[4096 * 6 : 4096 * 9] = os.urandom(4096 * 3)
    path.write_bytes(raw)
    before = path.read_bytes()
    with pytest.raises(JournalError, match="cannot be written on: the file is damaged"):
        go_on(path, None, silent)
    assert path.read_bytes() == before
    assert writer_of(path) is None


@pytest.mark.parametrize("lasting", [False, True])
def test_any_call_may_fail_and_nothing_that_was_recorded_is_lost(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, lasting: bool
) -> None:
    """Fail the Nth call, for every N, once and for ever (the loop that SQLite's own tests use): what is not in the file
    is in memory, where the next one to open the journal finds it."""
    monkeypatch.setattr(record, "SYNC_S", 0.0)
    for nth in range(1, 200):
        path = tmp_path / f"{nth}-{lasting}.night"
        faults = Faults(0)
        recorder = begin(path, NIGHT, silent, connect=faults.connect)
        faults.calls, faults.nth, faults.lasting = 0, nth, lasting
        for row in numbered(0, 4):
            recorder.write([row], WALL, MOVED)
            recorder.go()
        recorder.close()
        assert story(path) == numbered(0, 4), nth
        if not faults.met:
            return
    raise AssertionError("it never ends")


@contextmanager
def writing(path: Path, does: str) -> Iterator[subprocess.Popen[str]]:
    """A process that begins a journal and does something with it, until it is killed."""
    text = f"""
import sys, threading
sys.path.insert(0, {str(TESTS)!r})
from pathlib import Path
from journal.nights import NIGHT, PRESS, WALL
from journal.test_record import MOVED, Gate, silent
from stagectl.journal.record import begin
whole = Gate()
gate = whole.open
recorder = begin(Path({str(path)!r}), NIGHT, silent, connect=whole.connect)
{does}
print("done", flush=True)
threading.Event().wait()
"""
    process = subprocess.Popen([sys.executable, "-c", text], stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        assert process.stdout.readline() == "done\n"
        yield process
    finally:
        process.kill()
        process.wait()
        assert process.stdout is not None
        process.stdout.close()


@contextmanager
def killed(path: Path, does: str) -> Iterator[None]:
    """The same, killed."""
    with writing(path, does) as process:
        process.send_signal(signal.SIGKILL)
        process.wait()
    yield


def test_the_writer_of_a_closed_journal_is_nobody(tmp_path: Path) -> None:
    recorder = begin(tmp_path / "closed.night", NIGHT, silent, connect=connect)
    assert writer_of(recorder.path) == os.getpid()
    recorder.close()
    recorder.close()
    assert writer_of(recorder.path) is None
