"""Reading a journal: while it is written, after it was closed, and after its writer was killed."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from typing import Any, Final

from stagectl.core.touch import HAND
from stagectl.errors import JournalError
from stagectl.journal.causes import cause
from stagectl.journal.migrate import migrated_copy, version_of
from stagectl.journal.paths import is_journal, latest
from stagectl.journal.schema import (
    VERSION,
    Night,
    files_unpacked,
    heard_unpacked,
    night_unpacked,
    unpacked,
)
from stagectl.journal.spool import bring_home
from stagectl.journal.wary import wary
from stagectl.story.entry import Heard
from stagectl.story.rows import Row

__all__ = [
    "events",
    "files",
    "files_of",
    "hands",
    "latest",
    "night",
    "one_moment",
    "open_read",
    "rows",
    "sensibly",
    "song_began",
]

WAIT_S: Final = 1.0
"""How long a reader waits for a lock, s. The writer never waits for a reader."""

FILE_MAX: Final = 8 * 2**20
"""Bytes of a show's file that are read: twice of what a file may have."""

PAGE: Final = 1000
"""Rows fetched at once. Between pages no lock is held, so that a slow reader does not let the file beside
the journal grow."""


def open_read(path: Path) -> sqlite3.Connection:
    """The journal at `path`, for reading only. The caller closes the connection. What a process that was killed left on
    its way into the journal is put there first, where that can be.

    Raises JournalError where there is no such file, where it is no journal, and where a newer version of
    the program wrote it.
    """
    if not path.is_file():
        raise JournalError(f"There is no journal at {path}.")
    if not is_journal(path):
        raise JournalError(f"{path} is not a journal of a night, or it cannot be read.")
    bring_home(path)
    with _plainly(path):
        address = f"{path.resolve().as_uri()}?mode=ro"
        connection = wary(sqlite3.connect(address, uri=True, timeout=WAIT_S, isolation_level=None))
    try:
        with _plainly(path):
            version = version_of(connection)
            if version > VERSION:
                raise JournalError(
                    f"{path} was written by a newer version of stagectl: "
                    f"its layout is {version}, and this version reads layouts up to {VERSION}."
                )
            if not connection.execute("SELECT count(*) FROM night").fetchone()[0]:
                raise JournalError(f"{path} is not a journal of a night: it does not say which.")
            if version < VERSION:
                older, connection = connection, migrated_copy(connection)
                older.close()
    except BaseException:
        connection.close()
        raise
    return connection


def night(connection: sqlite3.Connection) -> Night:
    """What the journal is the record of. Raises JournalError where it cannot be read."""
    return night_unpacked(_fetch(connection, "SELECT * FROM night")[0])


def rows(connection: sqlite3.Connection, after_id: int = 0) -> Iterator[tuple[int, int, Row]]:
    """The story after the row number `after_id`, in order: number, wall time (µs since 1970), row.

    Numbers rise, but not always by one. Raises JournalError where the journal cannot be read.
    """
    while page := _fetch(connection, "SELECT * FROM story WHERE id > ? ORDER BY id LIMIT ?", after_id, PAGE):
        yield from map(unpacked, page)
        after_id = page[-1][0]


def events(connection: sqlite3.Connection, after_id: int = 0) -> Iterator[tuple[int, Heard]]:
    """What came in after the line of that number, in order: number, event. Raises JournalError where the journal cannot
    be read."""
    while page := _fetch(connection, "SELECT * FROM heard WHERE id > ? ORDER BY id LIMIT ?", after_id, PAGE):
        yield from map(heard_unpacked, page)
        after_id = page[-1][0]


def files(connection: sqlite3.Connection) -> dict[int, dict[str, bytes]]:
    """What the show's files held on that night, by their paths, the setlist first: by the number of the line after
    which they held that, the earliest first. Nothing in a journal of an earlier layout. Raises JournalError where they
    cannot be read."""
    found = _fetch(connection, "SELECT * FROM files ORDER BY since, place")
    out: dict[int, dict[str, bytes]] = {}
    try:
        for line in found:
            since, path, raw = files_unpacked(line, FILE_MAX)
            out.setdefault(since, {})[path] = raw
        return out
    except ValueError as error:
        raise JournalError(f"The show's files in the journal cannot be read: {error}.") from error


def files_of(connection: sqlite3.Connection, path: Path) -> dict[int, dict[str, bytes]]:
    """The same of a night that is to be played again. `path`: its journal. Raises JournalError where there are none."""
    kept = files(connection)
    if not kept:
        raise JournalError(f"{path} is of an earlier version of stagectl, which kept no events")
    return kept


def song_began(connection: sqlite3.Connection, song: str) -> int | None:
    """When the night came to a song that it has not left since, ns since the night began; None where its last arrival
    was at another. Raises JournalError where the journal cannot be read."""
    began = None
    with _plainly(None), closing(connection.cursor()) as cursor:
        for at, name in cursor.execute("SELECT at, song FROM story WHERE kind = 'arrival' ORDER BY id DESC"):
            if name != song:
                break
            began = int(at)
    return began


def hands(connection: sqlite3.Connection) -> int:
    """How many times hands at the desk moved something. Raises JournalError where the journal cannot be read."""
    question = "SELECT count(*) FROM story WHERE kind = 'change' AND what = ?"
    return int(_fetch(connection, question, HAND)[0][0])


@contextmanager
def one_moment(connection: sqlite3.Connection) -> Iterator[None]:
    """The journal as it is now, for several questions that have to agree, whatever is written meanwhile. Raises
    JournalError where it cannot be read."""
    with _plainly(None):
        # The moment is that of the first question after this (SQLite, "Transaction").
        connection.execute("BEGIN")
        connection.execute("SELECT count(*) FROM night").fetchone()
    try:
        yield
    finally:
        with suppress(sqlite3.Error):
            connection.execute("ROLLBACK")


NONSENSE: Final = (
    *(ValueError, TypeError, LookupError, ArithmeticError, AttributeError, AssertionError, RecursionError),
)
"""What is raised where a journal says what no night can say."""


@contextmanager
def sensibly(what: str) -> Iterator[None]:
    """Something is made of what a journal says, which need not make sense: a damaged or forged one may say anything.
    Raises JournalError for it. `what`: what makes no sense, as a sentence begins with it."""
    try:
        yield
    except NONSENSE as error:
        raise JournalError(f"{what}: {str(error) or type(error).__name__}") from error


def _fetch(connection: sqlite3.Connection, question: str, *values: int | str) -> list[Any]:
    with _plainly(None):
        return connection.execute(question, values).fetchall()


@contextmanager
def _plainly(path: Path | None) -> Iterator[None]:
    try:
        yield
    except (sqlite3.Error, UnicodeDecodeError) as error:
        what = "The journal" if path is None else str(path)
        raise JournalError(f"{what} cannot be read: {cause(error)}.") from error


def came_to_nothing(connection: sqlite3.Connection) -> bool:
    """Whether a night was ended before any song came up, as one that was only tried is."""
    return _fetch(connection, "SELECT DISTINCT kind FROM story WHERE kind IN ('arrival', 'end')") == [("end",)]
