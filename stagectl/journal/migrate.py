"""Bringing a journal of an earlier layout up to the present one.

A journal that is only read is left as it is: what is read is a copy in memory. One that is written on is changed in
place, in one transaction, so that it is of the one layout or the other whenever the power fails.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from typing import Final

from stagectl.errors import JournalError
from stagectl.journal.schema import TABLES, VERSION
from stagectl.journal.wary import distrust

STEPS: Final[Mapping[int, tuple[str, ...]]] = {
    # Events were not kept, nor files; when a press's first byte left was not known.
    1: ("ALTER TABLE night ADD COLUMN path TEXT NOT NULL DEFAULT ''", TABLES[2], TABLES[3]),
}
"""What leads from each layout to the next one."""


def version_of(connection: sqlite3.Connection) -> int:
    """The layout of a journal. Raises sqlite3.Error."""
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    return int(version)


def migrate(connection: sqlite3.Connection) -> None:
    """Bring a journal up to the present layout, in place. Raises sqlite3.Error, and JournalError where it is of a later
    one; then nothing was changed."""
    version = version_of(connection)
    if version > VERSION:
        raise JournalError(
            f"The journal was written by a newer version of stagectl: its layout is {version}, and this version reads "
            f"layouts up to {VERSION}."
        )
    if version == VERSION:
        return
    connection.execute("BEGIN IMMEDIATE")
    try:
        for version in range(version_of(connection), VERSION):
            for step in STEPS[version]:
                connection.execute(step)
        connection.execute(f"PRAGMA user_version = {VERSION}")
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


def migrated_copy(connection: sqlite3.Connection) -> sqlite3.Connection:
    """A copy in memory of an earlier layout's journal, brought up to the present one. Raises sqlite3.Error."""
    copy = sqlite3.connect(":memory:", isolation_level=None)
    try:
        distrust(copy)
        connection.backup(copy)
        migrate(copy)
    except BaseException:
        copy.close()
        raise
    return copy
