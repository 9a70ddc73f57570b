"""The power fails: what was not synced is on the disk in any pieces, or not at all. The journal opens sound, and lacks
at most what came after the last sync, which is a second's.

A disk writes sectors of 512 bytes whole, in any order, until it is told to finish (common practice; SQLite's "Atomic
Commit In SQLite", section 2, assumes no more). The write-ahead file only grows between two syncs, so what a cut leaves
of it is its synced beginning and any of the sectors behind that, the others being zero or cut off.
"""

from __future__ import annotations

import random
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from stagectl.journal import write
from stagectl.journal.spool import spool_path
from stagectl.journal.write import Journal, open_again
from stagectl.story.entry import Heard

from .nights import NIGHT, WALL, numbered, story, whole

SECTOR = 512
A_SECOND = 12
"""Presses between two syncs."""


def cut(path: Path, synced: int, chance: random.Random) -> None:
    """What the disk may hold of the write-ahead file, of which so many bytes were synced."""
    wal = path.with_name(path.name + "-wal")
    raw = bytearray(wal.read_bytes())
    for at in range(synced - synced % SECTOR, len(raw), SECTOR):
        if chance.random() < 0.5:
            begins = max(at, synced)
            raw[begins : at + SECTOR] = bytes(len(raw[begins : at + SECTOR]))
    if chance.random() < 0.5:
        del raw[chance.randint(synced, len(raw)) :]
    wal.write_bytes(raw)


@pytest.mark.parametrize("wal_max", [write.WAL_MAX, 60_000])
def test_at_most_the_last_second_is_missing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, wal_max: int) -> None:
    monkeypatch.setattr(write, "WAL_MAX", wal_max)
    path, chance = tmp_path / "night.night", random.Random(11)
    journal = Journal.create(path, NIGHT)
    rows, synced, safe, cuts = numbered(0, 240), 0, 0, 0
    for at, row in enumerate(rows):
        if at % A_SECOND == 0:
            assert journal.checkpoint()
            safe, synced = at, path.with_name(path.name + "-wal").stat().st_size
        journal.write([row], WALL, Heard(at, 0, 0, 1, 127, b"\xb0\x50\x7f"))
        if chance.random() < 0.3:
            there = tmp_path / f"cut-{at}.night"
            for end in ("", "-wal"):
                shutil.copy(f"{path}{end}", f"{there}{end}")
            cut(there, synced, chance)
            kept = story(there)
            assert whole(there)
            assert kept == rows[: len(kept)] and safe <= len(kept) <= at + 1
            with closing(sqlite3.connect(there)) as connection:
                (events,) = connection.execute("SELECT count(*) FROM heard").fetchone()
            assert events == len(kept)
            cuts += 1
            if cuts % 15 == 0:
                # The night goes on in it.
                again = open_again(there)
                again.write(numbered(10_000, 1), WALL)
                again.close()
                assert story(there) == [*kept, *numbered(10_000, 1)]
                assert whole(there)
    journal.close()
    assert cuts > 50
    assert not spool_path(path).exists()
