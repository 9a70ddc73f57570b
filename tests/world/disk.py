"""The disk and the memory of the computer: full, slow, killed in mid-write, or without what was not synced.

SQLite is real, and its files are; a disk writes sectors of 512 bytes whole, in any order, until it is told to finish
("Atomic Commit In SQLite", section 2).
"""

from __future__ import annotations

import os
import random
import sqlite3
from collections.abc import Callable, Iterable
from contextlib import closing, suppress
from pathlib import Path
from typing import Any, Final

from .inputs import Killed

SECTOR: Final = 512

USUAL_NS: Final = 8_000_000
"""How soon what waits is written, ns."""


class Disk:
    """`full`: no room for more; `memory_full`: none in memory, either. `takes_ns`: how long it takes over a write.
    `kills_in`: after so many calls of SQLite the process is killed."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.full = False
        self.memory_full = False
        self.takes_ns = USUAL_NS
        self.kills_in: int | None = None
        self._wal = Path(f"{path}-wal")
        self._file: int | None = None
        self._synced = 0
        """Bytes of the write-ahead file that were synced, and which file that is."""
        self.safe = 0
        """The last line that is on the disk for sure."""

    def call(self) -> None:
        """SQLite is asked for something."""
        if self.kills_in is not None:
            self.kills_in -= 1
            if self.kills_in <= 0:
                self.kills_in = None
                raise Killed("in a write")

    def writes(self) -> None:
        """Something is to be written. Raises as SQLite does."""
        if self.full:
            raise sqlite3.OperationalError("database or disk is full")

    def _is_the_same(self) -> bool:
        """Whether the write-ahead file is still the one that was synced last."""
        return self._file is not None and self._wal.exists() and self._wal.stat().st_ino == self._file

    def synced(self, size: int, last: int) -> None:
        """The write-ahead file was synced, which then had so many bytes. `last`: the last line in the journal."""
        self._file, self._synced = self._wal.stat().st_ino, size
        self.safe = max(self.safe, last)

    def files(self) -> dict[Path, bytes]:
        """What a kill leaves: what was written is with the operating system."""
        found = {}
        for end in ("", "-wal"):
            path = Path(f"{self.path}{end}")
            with suppress(FileNotFoundError):
                found[path] = path.read_bytes()
        return found

    def put_back(self, files: dict[Path, bytes], *, same: bool) -> None:
        """Let these be the files. `same`: the write-ahead file among them is the one that was synced last."""
        for end in ("", "-wal", "-shm"):
            with suppress(FileNotFoundError):
                Path(f"{self.path}{end}").unlink()
        for path, raw in files.items():
            path.write_bytes(raw)
        if same and self._wal in files:
            self._file = self._wal.stat().st_ino
        elif self._file is not None:
            self._file = None

    def killed(self, close: Callable[[], None], chance: random.Random | None) -> None:
        """A process that had the journal open is killed; `close` lets go of what it had. `chance`: the power fails with
        it, and decides what is left."""
        files, same = self.files(), self._is_the_same()
        close()
        if chance is not None:
            files = self._cut(files, self._synced if same else 0, chance)
        self.put_back(files, same=same and chance is None)
        if chance is not None and self._wal in files:
            # What is there after a cut is on the disk.
            self._file, self._synced = self._wal.stat().st_ino, len(files[self._wal])

    def _cut(self, files: dict[Path, bytes], synced: int, chance: random.Random) -> dict[Path, bytes]:
        """What a power cut leaves of files: of the one that is written to, what was synced, and any sectors behind."""
        if self._wal not in files:
            return files
        raw = bytearray(files[self._wal])
        synced = min(len(raw), synced)
        for at in range(synced - synced % SECTOR, len(raw), SECTOR):
            if chance.random() < 0.5:
                begins = max(at, synced)
                raw[begins : at + SECTOR] = bytes(len(raw[begins : at + SECTOR]))
        if chance.random() < 0.5:
            del raw[chance.randint(synced, len(raw)) :]
        return {**files, self._wal: bytes(raw)}


def connection_of(disk: Disk) -> type[sqlite3.Connection]:
    """Connections to a disk that writes."""

    class Connection(sqlite3.Connection):
        def execute(self, sql: str, parameters: Any = (), /) -> sqlite3.Cursor:
            disk.call()
            if sql.startswith(("BEGIN IMMEDIATE", "COMMIT", "INSERT", "UPDATE")):
                disk.writes()
            return super().execute(sql, parameters)

        def executemany(self, sql: str, parameters: Iterable[Any], /) -> sqlite3.Cursor:
            disk.call()
            return super().executemany(sql, parameters)

    return Connection


def last_line(path: Path) -> int:
    """The number of the last line of a journal, as SQLite says it."""
    with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as disk:
        return last_line_of(disk)


def last_line_of(disk: sqlite3.Connection) -> int:
    """The same, by a connection that is open."""
    question = "SELECT max(coalesce((SELECT max(id) FROM story), 0), coalesce((SELECT max(id) FROM heard), 0))"
    (last,) = sqlite3.Connection.execute(disk, question).fetchone()
    return int(last)


def close_quietly(file: int) -> None:
    """Let go of a file of a process that is no more."""
    with suppress(OSError):
        os.close(file)
