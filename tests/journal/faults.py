"""A connection to SQLite whose Nth call fails."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from stagectl.journal.write import BUSY_S


class Faults:
    """Makes connections. Call number `nth` of all of them together fails, and every later one if `lasting`.

    With `late` a call is carried out and then fails, so that its caller cannot know the outcome.
    """

    def __init__(self, nth: int, *, lasting: bool = False, late: bool = False) -> None:
        self.nth, self.lasting, self.late = nth, lasting, late
        self.calls = 0
        self.met = False

    def connect(self, path: Path) -> sqlite3.Connection:
        """A connection that counts its calls here. Opening it is a call."""
        faults = self

        class Faulty(sqlite3.Connection):
            def execute(self, sql: str, parameters: Any = (), /) -> sqlite3.Cursor:
                faults.before()
                cursor = super().execute(sql, parameters)
                faults.after()
                return cursor

            def executemany(self, sql: str, parameters: Iterable[Any], /) -> sqlite3.Cursor:
                faults.before()
                cursor = super().executemany(sql, parameters)
                faults.after()
                return cursor

        self.calls += 1
        self._fail()
        return sqlite3.connect(path, timeout=BUSY_S, isolation_level=None, factory=Faulty, check_same_thread=False)

    def heal(self) -> None:
        """Fail no more."""
        self.nth, self.lasting = -1, False

    def before(self) -> None:
        """A call begins."""
        self.calls += 1
        if not self.late:
            self._fail()

    def after(self) -> None:
        """A call was carried out."""
        if self.late:
            self._fail()

    def _fail(self) -> None:
        if self.calls == self.nth or (self.lasting and self.calls > self.nth):
            self.met = True
            raise sqlite3.OperationalError("an invented fault")
