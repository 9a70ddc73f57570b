"""Is this very show being played now, by a process of one's own?

Its night then has what it needs: the desk, the ports of its pedals, the page's, the sound device. None of that is
amiss, and nobody is to end what holds it; so each look that would come upon such a thing asks here first.
"""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from stagectl.errors import JournalError
from stagectl.journal.migrate import version_of
from stagectl.journal.schema import VERSION, night_unpacked
from stagectl.journal.spool import written_now
from stagectl.journal.wary import wary
from stagectl.show.files import setlist_file


class Playing:
    """Who plays the show: looked at once, by whichever look asks first."""

    def __init__(self) -> None:
        self._one_looks = threading.Lock()
        self._found: list[int | None] = []

    def process(self, setlist: Path) -> int | None:
        """As `player`. `setlist`: always the same."""
        with self._one_looks:
            if not self._found:
                self._found.append(player(setlist))
            return self._found[0]


def player(setlist: Path) -> int | None:
    """The process that plays the show of a setlist, or of the folder of one; None where none does."""
    own = str(setlist_file(setlist).resolve())
    return next((process for process, journal in written_now() if _setlist_of(journal) == own), None)


def _setlist_of(journal: Path) -> str | None:
    """The path of the setlist that a night is played from; None where its journal does not say."""
    try:
        with as_it_lies(journal) as connection:
            head = connection.execute("SELECT * FROM night").fetchone() if is_present(connection) else None
        return None if head is None else night_unpacked(head).path
    except (sqlite3.Error, OSError, JournalError):
        return None


@contextmanager
def as_it_lies(journal: Path) -> Iterator[sqlite3.Connection]:
    """A journal, open for reading, with nothing brought home. Raises sqlite3.Error, OSError."""
    # With a file of SQLite's beside it, it may be written at this moment.
    beside = journal.with_name(f"{journal.name}-wal").exists()
    uri = f"{journal.resolve().as_uri()}?mode=ro" + ("" if beside else "&immutable=1")
    with closing(wary(sqlite3.connect(uri, uri=True, timeout=0.5))) as connection:
        yield connection


def is_present(connection: sqlite3.Connection) -> bool:
    """Whether a journal is of the present layout, as whatever is written now is. Raises sqlite3.Error."""
    return version_of(connection) >= VERSION
