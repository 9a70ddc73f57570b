"""However long a night gets, its writer keeps no more of it in memory. The judge is SQLite's own account of what it has
allocated, in all of the process (`sqlite3_memory_used`, sqlite.org/c3ref/memory_highwater.html)."""

from __future__ import annotations

import _sqlite3
import ctypes
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from needs import unavailable

from stagectl.journal.lay_out import CACHE_KB
from stagectl.journal.write import CATCH_UP_MAX, Journal, open_again

from .nights import NIGHT, WALL, numbered

BATCHES = 30
"""Of CATCH_UP_MAX rows: some 3 MB, more than SQLite keeps when left to itself."""


@pytest.fixture
def used() -> Callable[[], int]:
    """What SQLite has allocated now, bytes."""
    try:
        asks = ctypes.CDLL(_sqlite3.__file__).sqlite3_memory_used
    except (AttributeError, OSError):
        unavailable("this Python's SQLite does not tell what it has allocated")
    asks.restype = ctypes.c_int64
    with closing(sqlite3.connect(":memory:")) as anything:
        anything.execute("CREATE TABLE one (n)")
        if asks() <= 0:
            unavailable("this Python's SQLite keeps no account of what it allocates")
    return asks


@pytest.mark.parametrize("again", [False, True], ids=["begun", "taken up"])
def test_a_long_night_takes_no_more_memory_than_a_short_one(
    tmp_path: Path, used: Callable[[], int], again: bool
) -> None:
    path = tmp_path / "n.night"
    journal = Journal.create(path, NIGHT)
    if again:
        _play(journal)
        journal.close()
        journal = open_again(path)
    with journal:
        before = used()
        _play(journal)
        grown = used() - before
        assert (tmp_path / "n.night-wal").stat().st_size > 2 * 2**20
        # A page of 4,096 bytes takes some 300 more to keep.
        assert grown < 1.2 * CACHE_KB * 1024


def _play(journal: Journal) -> None:
    for at in range(BATCHES):
        journal.write(numbered(at * CATCH_UP_MAX, CATCH_UP_MAX), WALL)
    assert journal.trouble is None
