"""The nights of a setlist, each copied whole while it may still be written, with the desk's levels beside it."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from stagectl.archive.gather import NIGHTS, Piece
from stagectl.archive.names import path_fault
from stagectl.errors import JournalError, NightDamaged
from stagectl.journal.causes import cause
from stagectl.journal.paths import when
from stagectl.journal.read import night, open_read
from stagectl.journal.wary import wary
from stagectl.live.backup import backup_path

LEVELS_MAX: Final = 2**22
"""Bytes of the desk's levels that are taken: thousands of times what a desk has."""

NOT_IN_IT: Final = "It is not in the backup."

OF_THE_COPY: Final = (sqlite3.SQLITE_FULL, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY)
"""What SQLite says where a copy cannot be written: no other night could be copied either."""

Lost = Callable[[str], None]


def night_pieces(journals: Sequence[Path], most: int, copies: Path, lost: Lost) -> Iterator[Piece]:
    """The last `most` of the `journals` of a setlist (the last night first), earliest last, each copied into the folder
    `copies`. What cannot be read, or copied whole, is passed over, and `lost` is told of it; so it is of levels that
    cannot be read. Raises JournalError where no copy can be written at all."""
    found = 0
    taken: set[str] = set()
    for journal in journals:
        if found == most:
            return
        try:
            connection = _opened(journal)
        except JournalError as error:
            lost(f"{error} {NOT_IN_IT}")
            continue
        name = _free(journal, taken)
        copy = copies / name
        try:
            with closing(connection):
                last = _copy(connection, journal, copy)
        except NightDamaged as error:
            copy.unlink(missing_ok=True)
            taken.discard(name.lower())
            lost(f"{error} {NOT_IN_IT}")
            continue
        found += 1
        yield Piece(f"{NIGHTS}/{name}", "night", copy, last, journal)
        levels = backup_path(journal)
        if levels.is_file():
            try:
                piece = _levels(levels, backup_path(copy).name)
            except JournalError as error:
                lost(f"{error} {NOT_IN_IT}")
                continue
            yield piece


def _opened(journal: Path) -> sqlite3.Connection:
    """A journal that says which night it is, and can be called so elsewhere. Raises JournalError."""
    fault = path_fault(f"{NIGHTS}/{journal.name}")
    if fault is not None:
        raise JournalError(f"{journal} cannot be backed up by that name: {fault}.")
    connection = open_read(journal)
    try:
        night(connection)
    except BaseException:
        connection.close()
        raise
    return connection


def _free(journal: Path, taken: set[str]) -> str:
    """The name of a night in the backup: its own, with a number where another folder has a night of that name."""
    name, n = journal.name, 1
    while name.lower() in taken:
        n += 1
        name = f"{journal.stem}-{n}{journal.suffix}"
    taken.add(name.lower())
    return name


def _copy(connection: sqlite3.Connection, journal: Path, copy: Path) -> datetime:
    """Copy a journal in one transaction; when its last row was written, to the second. Raises NightDamaged where that
    cannot be done, JournalError where nothing can be written to the copy's folder."""
    try:
        connection.execute("VACUUM INTO ?", (str(copy),))
        with closing(wary(sqlite3.connect(f"{copy.resolve().as_uri()}?mode=ro", uri=True))) as copied:
            said = copied.execute("PRAGMA quick_check(1)").fetchone()[0]
            last = copied.execute(
                "SELECT coalesce((SELECT wall FROM story ORDER BY id DESC LIMIT 1), begun) FROM night"
            ).fetchone()[0]
    except sqlite3.Error as error:
        says = f"{journal} cannot be copied: {cause(error)}."
        if getattr(error, "sqlite_errorcode", 0) & 0xFF in OF_THE_COPY:
            raise JournalError(f"{says} `--nights 0` backs up the show without its nights.") from error
        raise NightDamaged(says) from error
    if said != "ok":
        raise NightDamaged(f"{journal} cannot be copied whole: {' '.join(str(said).split())}.")
    try:
        return when(last).replace(microsecond=0)
    except JournalError as error:
        raise NightDamaged(f"{journal} cannot be copied whole: its last row is of no time ({last} µs).") from error


def _levels(path: Path, name: str) -> Piece:
    """The desk's levels. Raises JournalError where they cannot be read."""
    try:
        with path.open("rb") as file:
            raw = file.read(LEVELS_MAX + 1)
        changed = datetime.fromtimestamp(int(path.stat().st_mtime), UTC)
    except OSError as error:
        raise JournalError(f"{path} cannot be read: {cause(error)}.") from error
    if len(raw) > LEVELS_MAX:
        raise JournalError(f"{path} is larger than {LEVELS_MAX:,} bytes: these are no levels of a desk.")
    return Piece(f"{NIGHTS}/{name}", "levels", raw, changed, path)
