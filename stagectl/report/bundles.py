"""The changes of a journal, thousands at once.

A night has up to a million changes, and handing a row of SQLite's to Python takes longer than finding it. So SQLite
joins each column of some thousand rows into one text, and Python takes the four texts apart again, which comes to half
the time. What does not come out even is read row by row: a name that is missing or holds the separator, a level that
is none, a row that is damaged.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator, Sequence
from typing import Final, NamedTuple

from stagectl.core.answers import READ
from stagectl.story.rows import BY_DESK

AT_ONCE: Final = 8_000
"""Row numbers that are read at once. Between such reads no lock is held."""

TEXT_MAX: Final = 2**23
"""Bytes that the joined texts may have: what is longer is read row by row, so that a forged journal fills no memory."""

RAWS_MAX: Final = 50_000
"""Levels whose text is kept."""

Raw = int | str | None
"""A level, as a journal has it; None where it is not known."""

_BETWEEN: Final = "\x1e"
"""Stands between two names: the record separator of ASCII, which no name holds."""

_READ: Final = "r"
"""Stands before a level that was read from the desk."""

_MARK: Final = f"'{_READ}' || "
_BY_DESK: Final = " ".join(
    f"WHEN '{cause}' THEN {_MARK if cause == READ else ''}ifnull(level_after, '')" for cause in BY_DESK
)
# NOT INDEXED: rows are joined in the order in which they are looked at, which is that of the table itself.
_JOINED: Final = f"""
SELECT group_concat(at), group_concat(listener, '{_BETWEEN}'), group_concat(input, '{_BETWEEN}'),
    group_concat(CASE what {_BY_DESK} ELSE ifnull(level_sent, '') END)
FROM story NOT INDEXED WHERE id >= ? AND id <= ? AND kind = 'change'
"""
_SINGLE: Final = f"""
SELECT at, listener, input,
    CASE WHEN what IN ({", ".join(f"'{cause}'" for cause in BY_DESK)}) THEN level_after ELSE level_sent END,
    what = '{READ}'
FROM story WHERE id >= ? AND id <= ? AND kind = 'change' ORDER BY id
"""
_NEXT: Final = "SELECT min(id) FROM story WHERE id > ? AND id <= ?"
_RECALL: Final = "SELECT id, at FROM story WHERE kind = 'change' AND what = 'recall' AND id < ? ORDER BY id LIMIT 1"


class Bundle(NamedTuple):
    """Some changes, one after the other: when each was, ns, as a number or its text; the two names of its send; its
    level. `read`: how many of them were read from the desk."""

    ats: Sequence[int | str]
    listeners: Sequence[str | None]
    inputs: Sequence[str | None]
    raws: Sequence[Raw]
    read: int


class Changes:
    """The changes of a journal. `passed` is called with how many more were read."""

    def __init__(self, connection: sqlite3.Connection, passed: Callable[[int], None] | None = None) -> None:
        self._connection, self._passed = connection, passed
        self._raws = _Raws()

    def between(self, after: int, until: int) -> Iterator[Bundle]:
        """Those from the row after the number `after` to the number `until`, in order. Raises sqlite3.Error where they
        cannot be read on, after all that could be."""
        connection = self._connection
        while (first := connection.execute(_NEXT, (after, until)).fetchone()[0]) is not None:
            after = min(first + AT_ONCE - 1, until)
            joined = _joined(connection, self._raws, first, after)
            for bundle in _row_by_row(connection, first, after) if joined is None else (joined,):
                if bundle.ats:
                    yield bundle
                if self._passed is not None:
                    self._passed(len(bundle.ats))

    def first_recall(self, before: int) -> tuple[int, int] | None:
        """The first recalled change before the row of that number: its number and its time, ns. Raises
        sqlite3.Error."""
        found: tuple[int, int] | None = self._connection.execute(_RECALL, (before,)).fetchone()
        return found


class _Raws(dict[str, Raw]):
    """Levels by their text. Raises ValueError for a text that is none."""

    def __missing__(self, text: str) -> Raw:
        said = text.removeprefix(_READ)
        raw = None if not said else said if said == "off" else int(said)
        if len(self) < RAWS_MAX:
            self[text] = raw
        return raw


def _joined(connection: sqlite3.Connection, raws: _Raws, first: int, last: int) -> Bundle | None:
    """The changes from one row number to another; None where they have to be read row by row."""
    usual = connection.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, TEXT_MAX)
    try:
        texts = connection.execute(_JOINED, (first, last)).fetchone()
    except sqlite3.Error:
        return None
    finally:
        connection.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, usual)
    if texts == (None,) * 4:
        return Bundle((), (), (), (), 0)
    if None in texts:
        return None
    levels = texts[3].split(",")
    ats, listeners, inputs = texts[0].split(","), texts[1].split(_BETWEEN), texts[2].split(_BETWEEN)
    if not len(levels) == len(ats) == len(listeners) == len(inputs):
        return None
    try:
        return Bundle(ats, listeners, inputs, list(map(raws.__getitem__, levels)), texts[3].count(_READ))
    except ValueError:
        return None


def _row_by_row(connection: sqlite3.Connection, first: int, last: int) -> Iterator[Bundle]:
    """The same, slowly. Raises sqlite3.Error where they cannot be read on, after what could be."""
    rows: list[tuple[int, str | None, str | None, Raw, int | None]] = []
    damage = None
    try:
        for row in connection.execute(_SINGLE, (first, last)):
            rows.append(row)  # noqa: PERF402 - what was read before the damage counts
    except sqlite3.Error as error:
        damage = error
    if rows:
        ats, listeners, inputs, raws, read = zip(*rows, strict=True)
        yield Bundle(ats, listeners, inputs, raws, sum(filter(None, read)))
    if damage is not None:
        raise damage
