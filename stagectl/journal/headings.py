"""Where the night was: the arrivals that belong above some of its rows, which were asked for without them."""

from __future__ import annotations

import sqlite3
from bisect import bisect_right
from collections.abc import Iterable, Iterator
from operator import itemgetter
from typing import Final, TypeAlias

from stagectl.journal.query import fetch, top_of
from stagectl.journal.schema import unpacked
from stagectl.story.rows import Row

AT_ONCE: Final = 10_000
"""Row numbers looked through at once for arrivals ahead of the row that is asked about."""

_LAST: Final = "SELECT * FROM story WHERE id > :after AND id <= :until AND kind = 'arrival' ORDER BY id DESC LIMIT 1"
_ALL: Final = "SELECT * FROM story WHERE id > :after AND id <= :until AND kind = 'arrival' ORDER BY id"

_Written: TypeAlias = tuple[int, int, Row]


class Headings:
    """Puts above rows the arrival that they came after, each once; where rows come late, the same again."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self._arrivals: list[_Written] = []
        """Those from row `_from` to row `_upto`, after the last one before that, if there is one."""
        self._from = self._upto = 0
        self._told: int | None = None
        """The number of the arrival that what is told stands below."""

    def over(self, rows: Iterable[_Written]) -> Iterator[_Written]:
        """Rows with their arrivals: number, wall time (µs since 1970), row. Raises JournalError where the journal
        cannot be read."""
        for written in rows:
            if written[2].kind == "arrival":
                self._told = written[0]
            else:
                arrival = self._before(written[0])
                if arrival is not None and arrival[0] != self._told:
                    self._told = arrival[0]
                    yield arrival
            yield written

    def _before(self, number: int) -> _Written | None:
        """The last arrival before the row of that number."""
        if number < self._from:
            return next(iter(self._fetch(_LAST, 0, number)), None)
        if number > self._upto:
            # What lies between is looked through from its end, and only as far as it has to be.
            last = self._fetch(_LAST, self._upto, number) or self._arrivals[-1:]
            # Never beyond what is written: while the night goes on, arrivals are still to come there.
            until = max(number, min(number + AT_ONCE, top_of(self._connection)))
            self._arrivals = last + self._fetch(_ALL, number, until)
            self._from, self._upto = number, until
        at = bisect_right(self._arrivals, number, key=itemgetter(0))
        return self._arrivals[at - 1] if at else None

    def _fetch(self, question: str, after: int, until: int) -> list[_Written]:
        return list(map(unpacked, fetch(self._connection, question, {"after": after, "until": until})))
