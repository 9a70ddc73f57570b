"""What can go wrong with a journal, in plain sentences."""

from __future__ import annotations

import sqlite3

CAUSES = {
    sqlite3.SQLITE_FULL: "the disk is full",
    sqlite3.SQLITE_BUSY: "another program has locked it",
    sqlite3.SQLITE_LOCKED: "another program has locked it",
    sqlite3.SQLITE_READONLY: "it may not be written to",
    sqlite3.SQLITE_PERM: "it may not be written to",
    sqlite3.SQLITE_IOERR: "the disk fails to read or write it",
    sqlite3.SQLITE_CORRUPT: "the file is damaged",
    sqlite3.SQLITE_NOTADB: "the file is damaged",
    sqlite3.SQLITE_CANTOPEN: "the file, or one beside it, cannot be opened",
}
"""What SQLite's primary result codes mean for a journal."""


def cause(error: Exception) -> str:
    """Why SQLite or the operating system failed, in plain words."""
    if isinstance(error, OSError) and error.strerror:
        return error.strerror
    code = getattr(error, "sqlite_errorcode", None)
    known = None if code is None else CAUSES.get(code & 0xFF)
    return known or str(error) or type(error).__name__
