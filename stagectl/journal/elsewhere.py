"""A night whose journal cannot be written any more, as on a disk that has become read-only, goes on in a copy of it in
another folder, under the same name: from then on that is the night's journal (`paths.by_name`)."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from contextlib import closing
from pathlib import Path
from typing import Final

from stagectl.errors import JournalError
from stagectl.journal.anew import write_anew
from stagectl.journal.causes import cause
from stagectl.journal.claim import make_own
from stagectl.journal.read import open_read
from stagectl.journal.spool import bring_home, on_its_way, put
from stagectl.journal.write import OPENS_MS, connect

_FAULTS: Final = (sqlite3.Error, OSError, ValueError, OverflowError)


def unwritable(journal: Path) -> str | None:
    """What keeps a journal that nobody is writing from being written on; None where nothing does."""
    trouble = bring_home(journal)
    if trouble is not None:
        return trouble
    try:
        with closing(connect(journal)) as disk:
            disk.execute(f"PRAGMA busy_timeout = {OPENS_MS}").fetchone()
            # Only a write shows it: where a file cannot be written, SQLite opens it for reading.
            disk.execute("BEGIN IMMEDIATE")
            disk.execute("UPDATE night SET begun = begun")
            disk.execute("COMMIT")
    except sqlite3.Error as error:
        return cause(error)
    return None


def copied(journal: Path, folders: Iterable[Path]) -> Path:
    """A copy of a journal, with what is on its way into it, in the first of the folders that takes it. Raises
    JournalError where none does, or the journal cannot be read; then it leaves nothing."""
    trouble = "there is no other folder"
    lines = on_its_way(journal)
    with closing(open_read(journal)) as night:
        for folder in folders:
            copy = folder / journal.name
            try:
                make_own(folder)
                write_anew(night, copy, lambda disk: put(disk, lines))
            except _FAULTS as error:
                trouble = f"{copy}: {cause(error)}"
                continue
            return copy
    raise JournalError(f"nor can it be copied: {trouble}")
