"""Being wary of a journal, which others may have made.

A file of SQLite's can hold more than rows: views in the place of tables, triggers, tables of modules, and functions in
checks, defaults, columns and indexes, all of which run when somebody else reads it. A journal is tables and nothing
else, so whatever runs by itself makes it none; and with `trusted_schema` off nothing in its layout reaches a function
or a module that could do more than reckon. Source: SQLite, "Defense Against The Dark Arts", 1.2, untrusted database
files (sqlite.org/security.html); `cell_size_check`, which is advised there as well, finds damage where it stands.
"""

from __future__ import annotations

import sqlite3

# What has no page of its own in the file is no table with rows in it (SQLite, "The Schema Table", rootpage).
_RUNS = """SELECT iif(type = 'table', 'table of a module', type) FROM sqlite_master
    WHERE type IN ('view', 'trigger') OR coalesce(rootpage, 0) = 0 LIMIT 1"""


def wary(connection: sqlite3.Connection) -> sqlite3.Connection:
    """The connection, made ready for a file of whoever's. Raises sqlite3.Error where it cannot be read or holds what
    runs by itself; then the connection is closed."""
    try:
        distrust(connection)
        found = connection.execute(_RUNS).fetchone()
        if found is not None:
            raise sqlite3.DatabaseError(f"it holds a {found[0]}, which no journal does")
    except BaseException:
        connection.close()
        raise
    return connection


def distrust(connection: sqlite3.Connection) -> None:
    """Have a connection call nothing for what it reads that could do more than reckon. Reads nothing."""
    connection.execute("PRAGMA trusted_schema = OFF")
    connection.execute("PRAGMA cell_size_check = ON")
