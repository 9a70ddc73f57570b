"""Writing a journal's file.

SQLite in write-ahead mode with synchronous NORMAL: a commit is a write into the operating system's cache, so
a killed process loses nothing that was acknowledged. A power cut may take what came after the last
`checkpoint`, which belongs on a timer, about once a second. The disk may take its time over all of this, so a night
that is played writes by a `Recorder` (`record.py`), off the press path.
"""

from __future__ import annotations

import errno
import os
import sqlite3
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from contextlib import closing, suppress
from itertools import groupby, islice
from pathlib import Path
from types import TracebackType
from typing import Final, TypeAlias

from stagectl.errors import JournalError
from stagectl.journal.anew import ANEW_MAX, BESIDE, free, keep_names, which, write_anew
from stagectl.journal.causes import cause
from stagectl.journal.lay_out import go_over, lay_out
from stagectl.journal.migrate import migrate
from stagectl.journal.schema import (
    FILES,
    HEARD_LENGTH,
    INSERTS,
    LEFT_LENGTH,
    Night,
    Packed,
    files_packed,
    heard_packed,
    packed,
)
from stagectl.story.entry import Heard
from stagectl.story.rows import Row

HELD_MAX: Final = 50_000
"""Rows held in memory while the journal cannot be written; some 25 MB. Beyond it the oldest are dropped."""

CATCH_UP_MAX: Final = 1_000
"""Held rows written at once, so that a press after a fault waits some 2 ms for them and no longer."""

BUSY_S: Final = 0.004
"""How long a press waits for another program's lock, s."""

OPENS_MS: Final = 2_000
"""How long a night that is taken up waits for one: somebody reads it, and brings home what was on its way, ms."""

_FAULTS: Final = (sqlite3.Error, OverflowError, UnicodeError)
_UNFIT: Final = (
    sqlite3.IntegrityError,
    sqlite3.DataError,
    sqlite3.InterfaceError,
    sqlite3.ProgrammingError,
    OverflowError,
    UnicodeError,
)
"""What a row that no table can take raises; a row of sound text and 64-bit numbers never does."""

WAL_MAX: Final = 4 * 2**20
"""Bytes in the write-ahead file from which a checkpoint empties it. A press takes 4 to 12 kB of it, and each answer of
a desk in silence 4 kB, which is 37 MB an hour: on a small disk that file would be what keeps the night from being
written. The write after a checkpoint begins the file anew and waits for the disk, as no press does."""

Connect: TypeAlias = Callable[[Path], sqlite3.Connection]


def connect(path: Path) -> sqlite3.Connection:
    """A connection that writes to the file at `path`, which exists; any one thread at a time may use it. Raises
    sqlite3.Error."""
    address = f"{path.resolve().as_uri()}?mode=rw"
    return sqlite3.connect(address, uri=True, timeout=BUSY_S, isolation_level=None, check_same_thread=False)


class Journal:
    """The journal of the night that is being played. Used by one thread, except for `checkpoint`.

    After `create` no method raises: rows that cannot be written are held, in order, and `trouble` says why.
    """

    def __init__(self, path: Path, connection: sqlite3.Connection, connect: Connect) -> None:
        self.path = path
        self.lost = 0
        """Rows dropped since the night began."""
        self.spills: Callable[[], bool] = _nowhere
        """Whether what is let go of, because memory has no room for it, is kept elsewhere, and comes again."""
        self._connection: sqlite3.Connection | None = connection
        self._connect = connect
        self.last = 0
        """The number of the last line that was given one."""
        self._held: deque[Packed] = deque()
        self._wall_us = 0
        self._dropped = 0
        self._dropped_last: Packed = ()
        self._write_trouble: str | None = None
        self._checkpoint_trouble: str | None = None
        self._taken_trouble: str | None = None
        self._file = which(path)
        self._has_wal = _wal(path).exists()
        self._made: tuple[int, int] | None = None
        self._anew = 0

    @classmethod
    def create(cls, path: Path, night: Night, *, connect: Connect = connect) -> Journal:
        """Begin a journal at `path`, making its folder.

        Raises JournalError where `path` is taken or cannot be written; then it leaves no new file.
        """
        if path.exists():
            raise JournalError(f"There is a file at {path} already.")
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.open("xb").close()
        except OSError as error:
            raise JournalError(f"The journal {path} cannot be begun: {error.strerror}.") from error
        connection = None
        try:
            lay_out(path, night)
            connection = connect(path)
            go_over(connection)
            keep_names(path.parent)
        except (*_FAULTS, OSError) as error:
            if connection is not None:
                connection.close()
            for end in ("", *BESIDE):
                with suppress(OSError):
                    Path(f"{path}{end}").unlink()
            raise JournalError(f"The journal {path} cannot be begun: {cause(error)}.") from error
        return cls(path, connection, connect)

    @property
    def held(self) -> int:
        """Rows in memory that are not in the file yet, 0…HELD_MAX."""
        return len(self._held)

    @property
    def trouble(self) -> str | None:
        """What is the matter, as a sentence that stays the same while the matter does; None when all is well."""
        return self._write_trouble or self._taken_trouble or self._checkpoint_trouble

    def write(self, rows: Sequence[Row], wall_us: int, heard: Heard | None = None) -> None:
        """Put an event and the rows that were made of it into the file, as `put` does, at the wall time `wall_us`, µs
        since 1970."""
        self.put(self.lines(rows, wall_us, heard))

    def lines(self, rows: Sequence[Row], wall_us: int, heard: Heard | None = None) -> list[Packed]:
        """An event and rows as numbered lines, for `put`."""
        self._wall_us = wall_us
        first = self.last + 1
        batch = [] if heard is None else [heard_packed(heard, first)]
        batch += [packed(row, number, wall_us) for number, row in enumerate(rows, first + len(batch))]
        self.last += len(batch)
        return batch

    def put(self, batch: Sequence[Packed]) -> None:
        """Put lines into the file in one transaction.

        Where that fails they are held. Where lines are held already, these go behind them, and up to
        CATCH_UP_MAX of the oldest are written.
        """
        if not batch:
            return
        if not self._held and not self._dropped and self._put(batch):
            return
        behind = bool(self._held or self._dropped)
        self._held.extend(batch)
        if behind:
            self.retry()
        over = [self._held.popleft() for _ in range(len(self._held) - HELD_MAX)]
        if over and not self.spills():
            self.drop(over)

    def drop(self, lines: Sequence[Packed]) -> None:
        """Give up lines for which there is no room; where they were, the journal will say that they are missing."""
        for line in lines:
            if len(line) != LEFT_LENGTH:
                self._dropped_last = line
                self._dropped += 1
                self.lost += 1

    def retry(self) -> bool:
        """Write up to CATCH_UP_MAX of the held rows, the oldest first. Returns whether none is left."""
        batch = list(islice(self._held, CATCH_UP_MAX))
        lost = [_lost(self._dropped_last, self._dropped, self._wall_us)] if self._dropped else []
        if (batch or lost) and self._put(lost + batch):
            for _ in batch:
                self._held.popleft()
            self._dropped = 0
        if not self._held and not self._dropped:
            self._write_trouble = None
            return True
        return False

    def checkpoint(self) -> bool:
        """Have the disk keep what was written, and empty the write-ahead file where it is over WAL_MAX.

        Takes milliseconds; may run in any thread, and never blocks the writer. Returns whether it went well.
        """
        if self._connection is None:
            return True
        try:
            if _sync(_wal(self.path)) > WAL_MAX:
                with closing(self._connect(self.path)) as connection:
                    connection.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchone()
        except (*_FAULTS, OSError) as error:
            self._checkpoint_trouble = f"The journal {self.path} is written but not made safe: {cause(error)}."
            return False
        self._checkpoint_trouble = None
        return True

    def look(self) -> str | None:
        """See whether the file is still there under its name, and write it anew where it was deleted or moved, or the
        one beside it was. Returns the sentence that tells it."""
        old, path = self._connection, self.path
        if old is None or (which(path) == self._file and (not self._has_wal or _wal(path).exists())):
            self._taken_trouble = None
            return None
        new = None
        try:
            if self._anew >= ANEW_MAX:
                raise OSError(errno.EEXIST, f"that was done {ANEW_MAX} times already")
            if which(path) not in (None, self._file, self._made):
                path = free(path)
            write_anew(old, path)
            self._made = which(path)
            new = self._connect(path)
            go_over(new)
        except (*_FAULTS, OSError) as error:
            if new is not None:
                new.close()
            self._taken_trouble = (
                f"The journal {self.path} was deleted or moved while it is played, and cannot be written anew: "
                f"{cause(error)}."
            )
            return None
        self._anew += 1
        was, self.path, self._connection, self._file = self.path, path, new, self._made
        self._taken_trouble = None
        with suppress(*_FAULTS):
            old.close()
        here = "" if was == path else f" as {path}"
        return f"The journal {was} was deleted or moved while it is played: it is written anew{here}, all of it."

    def close(self) -> None:
        """Write what is held, if it can be, and leave one file that holds everything. `held` says what could
        not be written. Closing again does nothing."""
        connection = self._connection
        if connection is None:
            return
        before = -1
        while self._held and len(self._held) != before:
            before = len(self._held)
            self.retry()
        # Out of write-ahead mode the file can be read from anywhere, and by readers that may not write beside it.
        # Where somebody is reading it now, it stays as it is.
        with suppress(*_FAULTS):
            connection.execute("PRAGMA journal_mode = DELETE").fetchone()
        self._connection = None
        connection.close()

    def __enter__(self) -> Journal:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _put(self, batch: Sequence[Packed]) -> bool:
        """Write lines in one transaction. On a fault none of them is written, and `trouble` says why."""
        connection = self._connection
        if connection is None:
            self._write_trouble = f"The journal {self.path} is closed; changes are held in memory."
            return False
        try:
            connection.execute("BEGIN IMMEDIATE")
            self.lost += insert(connection, batch)
            connection.execute("COMMIT")
        except _FAULTS as error:
            with suppress(*_FAULTS):
                if connection.in_transaction:
                    connection.execute("ROLLBACK")
            self._write_trouble = (
                f"The journal {self.path} cannot be written: {cause(error)}. Changes are held in memory."
            )
            return False
        return True


def open_again(path: Path, *, files: Mapping[str, bytes] | None = None, connect: Connect = connect) -> Journal:
    """The journal of a night that is taken up again. `files`: what the show's files hold now, where that has changed.
    Raises JournalError where it is damaged or cannot be written; then it is as it was."""
    connection = None
    try:
        connection = connect(path)
        connection.execute(f"PRAGMA busy_timeout = {OPENS_MS}").fetchone()
        (sound,) = connection.execute("PRAGMA quick_check(1)").fetchone()
        if sound != "ok":
            raise JournalError(f"The journal {path} cannot be written on: the file is damaged.")
        migrate(connection)
        go_over(connection)
        lasts = [connection.execute(f"SELECT max(id) FROM {table}").fetchone()[0] for table in ("story", "heard")]
        last = max(last or 0 for last in lasts)
        connection.executemany(FILES, files_packed(files or {}, last))
        connection.execute(f"PRAGMA busy_timeout = {round(BUSY_S * 1_000)}").fetchone()
    except BaseException as error:
        if connection is not None:
            connection.close()
        if isinstance(error, _FAULTS):
            raise JournalError(f"The journal {path} cannot be written on: {cause(error)}.") from error
        raise
    journal = Journal(path, connection, connect)
    journal.last = last
    return journal


def _nowhere() -> bool:
    """Nothing is kept elsewhere."""
    return False


def _wal(path: Path) -> Path:
    """The write-ahead file."""
    return Path(f"{path}-wal")


def _sync(path: Path) -> int:
    """Have the disk keep a file. Returns its size, bytes. Raises OSError.

    SQLite locks the main file and the shared-memory file, never the write-ahead file, so closing it here gives
    up no lock.
    """
    with path.open("rb+") as file:
        os.fsync(file.fileno())
        return os.fstat(file.fileno()).st_size


def insert(connection: sqlite3.Connection, batch: Sequence[Packed]) -> int:
    """Insert lines in a transaction. Returns how many do not fit, and are told of instead. Raises sqlite3.Error."""
    try:
        for length, lines in groupby(batch, key=len):
            connection.executemany(INSERTS[length], lines)
    except _UNFIT:
        return _insert_each(connection, batch)
    return 0


def _insert_each(connection: sqlite3.Connection, batch: Sequence[Packed]) -> int:
    """Insert lines one by one, telling of one that does not fit what it was. Returns how many did not."""
    unfit = 0
    for line in batch:
        try:
            connection.execute(INSERTS[len(line)], tuple(map(sound, line)))
        except _UNFIT:
            told = _lost(line, 1, detail=ascii(line))
            connection.execute(INSERTS[len(told)], told)
            unfit += 1
    return unfit


def sound(value: int | str | bytes | None) -> int | str | bytes | None:
    """A text that has parts of a file's name in it which are no UTF-8, with those written out."""
    return value.encode(errors="backslashreplace").decode() if isinstance(value, str) else value


def _lost(line: Packed, count: int, otherwise_us: int = 0, detail: str | None = None) -> Packed:
    """The line that stands where `count` lines would, the last of which is `line`. `otherwise_us`: its wall time, where
    that line has none."""
    number, wall_us, at = (value if isinstance(value, int) and abs(value) < 2**63 else 0 for value in line[:3])
    if len(line) == HEARD_LENGTH:
        wall_us, at = otherwise_us, wall_us
    row = Row(at, "link", who="journal", what=f"missing {count} row{'' if count == 1 else 's'}", detail=detail)
    return packed(row, number, wall_us)
