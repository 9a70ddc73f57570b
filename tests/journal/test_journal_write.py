"""What is written is there: judged by SQLite itself, by another process, and after a kill."""

from __future__ import annotations

import signal
import sqlite3
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from depth import examples
from hypothesis import given, settings
from hypothesis import strategies as st

from stagectl.core.levels import LEVEL_MAX, LEVEL_MIN, OFF
from stagectl.errors import JournalError
from stagectl.journal import write as writing
from stagectl.journal.read import night, open_read, rows
from stagectl.journal.write import Journal
from stagectl.story.rows import KINDS, Row

from .nights import CHANGE, NIGHT, PRESS, SILENCED, WALL, numbered, story, whole

_TEXT = st.none() | st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
_INT = st.integers(-(2**63), 2**63 - 1)
_LEVEL = st.none() | st.just(OFF) | st.integers(LEVEL_MIN, LEVEL_MAX)
_ROW = st.builds(
    Row,
    _INT,
    st.sampled_from(KINDS),
    st.none() | _INT,
    *[_TEXT] * 9,
    *[_LEVEL] * 3,
    st.none() | _INT,
    _TEXT,
)


@settings(max_examples=examples(60))
@given(st.lists(st.lists(_ROW, max_size=6), max_size=4))
def test_every_row_comes_back_as_it_was(batches: list[list[Row]]) -> None:
    with TemporaryDirectory() as folder:
        path = Path(folder) / "n.night"
        with Journal.create(path, NIGHT) as journal:
            for wall, batch in enumerate(batches, WALL):
                journal.write(batch, wall)
            assert journal.trouble is None
        with closing(open_read(path)) as connection:
            found = list(rows(connection))
    assert [(wall, row) for _, wall, row in found] == [
        (wall, row) for wall, batch in enumerate(batches, WALL) for row in batch
    ]
    assert [number for number, _, _ in found] == list(range(1, len(found) + 1))


def test_the_columns_are_the_fields_of_a_row_and_hold_what_sql_can_ask_for(tmp_path: Path) -> None:
    path = tmp_path / "n.night"
    with Journal.create(path, NIGHT) as journal:
        journal.write([PRESS, CHANGE, SILENCED], WALL)
    with closing(sqlite3.connect(path)) as connection:
        columns = [name for _, name, *_ in connection.execute("PRAGMA table_info(story)")]
        levels = connection.execute("SELECT level_before, level_after, level_sent FROM story").fetchall()
        kept = connection.execute("SELECT setlist, venue, begun, zone, zone_offset, program, zero FROM night")
        assert kept.fetchall() == [("Harbour set", "Small club", WALL, "CET", 3600, "0.1.0", NIGHT.zero)]
    assert tuple(name.removeprefix("level_") for name in columns) == ("id", "wall", *Row._fields)
    assert levels == [(None, None, None), (-600, -450, -450), (None, "off", "off")]
    assert whole(path)


def test_a_closed_journal_is_one_file_that_reading_leaves_alone(tmp_path: Path) -> None:
    path = tmp_path / "n.night"
    with Journal.create(path, NIGHT) as journal:
        journal.write([PRESS, CHANGE], WALL)
        assert {file.name for file in tmp_path.iterdir()} == {"n.night", "n.night-wal", "n.night-shm"}
    before = path.read_bytes()
    assert story(path) == [PRESS, CHANGE]
    assert list(tmp_path.iterdir()) == [path]
    assert path.read_bytes() == before


def test_it_is_read_while_it_is_written(tmp_path: Path) -> None:
    path = tmp_path / "n.night"
    with Journal.create(path, NIGHT) as journal, closing(open_read(path)) as reader:
        assert night(reader) == NIGHT
        told = 0
        for at in range(5):
            journal.write(numbered(at, 1), WALL + at)
            [(told, wall, row)] = rows(reader, told)
            assert (wall, row) == (WALL + at, CHANGE._replace(at=at))
            assert list(rows(reader, told)) == []


def test_checkpoints_from_other_threads_keep_the_file_beside_it_small(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    page = 4096
    bound = 20 * page
    monkeypatch.setattr(writing, "WAL_MAX", bound)
    beside = tmp_path / "n.night-wal"
    sizes = []
    with Journal.create(tmp_path / "n.night", NIGHT) as journal, ThreadPoolExecutor(1) as pool:
        for at in range(0, 2000, 20):
            journal.write(numbered(at, 20), WALL)
            assert pool.submit(journal.checkpoint).result()
            sizes.append(beside.stat().st_size)
        assert journal.trouble is None
    assert bound < max(sizes) < bound + 5 * page
    assert story(tmp_path / "n.night") == numbered(0, 2000)


def test_writing_nothing_writes_nothing(tmp_path: Path) -> None:
    with Journal.create(tmp_path / "n.night", NIGHT) as journal:
        size = (tmp_path / "n.night-wal").stat().st_size
        journal.write([], WALL)
        assert (tmp_path / "n.night-wal").stat().st_size == size


def test_a_file_that_is_there_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "n.night"
    path.write_text("mine")
    with pytest.raises(JournalError, match=r"There is a file at .* already"):
        Journal.create(path, NIGHT)
    assert path.read_text() == "mine"
    with pytest.raises(JournalError, match="cannot be begun: "):
        Journal.create(path / "n.night", NIGHT)


_WRITER = """
import sys
from pathlib import Path
from stagectl.journal import write
from stagectl.journal.write import Journal
from tests_nights import CHANGE, NIGHT, WALL

write.WAL_MAX = 30_000
journal = Journal.create(Path(sys.argv[1]), NIGHT)
for at in range(10**9):
    journal.write([CHANGE._replace(at=at)] * 3, WALL)
    if at % 50 == 49:
        journal.checkpoint()
    print(at, flush=True)
"""


@pytest.mark.parametrize("enough", [1, 60, 400])
def test_a_kill_loses_no_row_that_was_acknowledged(tmp_path: Path, enough: int) -> None:
    path = tmp_path / "n.night"
    source = _WRITER.replace("from tests_nights", f"sys.path.insert(0, {str(Path(__file__).parent)!r})\nfrom nights")
    with subprocess.Popen([sys.executable, "-c", source, str(path)], stdout=subprocess.PIPE, text=True) as writer:
        assert writer.stdout is not None
        said = [next(writer.stdout) for _ in range(enough)]
        writer.kill()
        said += writer.stdout.readlines()
    assert writer.returncode == -signal.SIGKILL
    acknowledged = [int(line) for line in said if line.endswith("\n")]
    assert (tmp_path / "n.night-wal").exists(), "the writer had no chance to close it"
    for _ in range(2):
        kept = [row.at for row in story(path)]
        assert kept[: 3 * len(acknowledged)] == [at for at in acknowledged for _ in range(3)]
        assert len(kept) - 3 * len(acknowledged) in (0, 3), "at most the press in hand, and all of it"
        assert whole(path)
