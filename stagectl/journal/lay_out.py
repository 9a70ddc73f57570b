"""A journal's file before anything is in it."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Final

from stagectl.journal.anew import whole_at_once
from stagectl.journal.schema import APPLICATION_ID, FILES, INSERTS, TABLES, VERSION, Night, files_packed, night_packed

CACHE_KB: Final = 256
"""Of what was written SQLite keeps so much in memory, KiB; left to itself 2,000, and a night grows by its journal until
that is full. Rows only ever go behind the last one, so what lies before it is not asked for again; the biggest batch
(1,000 rows held through a fault) is some 150 kB."""


def lay_out(path: Path, night: Night) -> None:
    """Make the tables in a file beside `path`, which takes its name when the disk has it: a file whose header names the
    application is a whole journal, and the disk is waited for once. Raises sqlite3.Error and OSError; then it leaves
    nothing beside."""
    with whole_at_once(path) as made, closing(sqlite3.connect(made, isolation_level=None)) as connection:
        connection.execute("PRAGMA synchronous = OFF")
        connection.execute("BEGIN IMMEDIATE")
        for table in TABLES:
            connection.execute(table)
        connection.execute("INSERT INTO night VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", night_packed(night))
        connection.executemany(FILES, files_packed(night.files))
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute(f"PRAGMA user_version = {VERSION}")
        connection.execute("COMMIT")
        connection.execute("PRAGMA journal_mode = WAL").fetchone()


def go_over(connection: sqlite3.Connection) -> None:
    """Go over to write-ahead mode, and to little memory."""
    connection.execute("PRAGMA journal_mode = WAL").fetchone()
    connection.execute("PRAGMA synchronous = NORMAL")
    connection.execute("PRAGMA wal_autocheckpoint = 0").fetchone()
    connection.execute(f"PRAGMA cache_size = {-CACHE_KB}")
    # The first write makes the files beside the journal and waits for the disk; no press should wait for that.
    connection.execute(f"PRAGMA user_version = {VERSION}")
    for insert in INSERTS.values():
        connection.executemany(insert, ())
