"""Asking a journal for some of its rows: whose, of which song, of which pedal, refused, since when, too slow.

Most parts of a `Wanted` are a condition on each row, joined by AND. A song and a pedal are runs of row numbers, which
are found first: a song's rows are those from its arrival to the next one; a pedal's are those that name it, with what
its presses came to, which is written right behind them. A journal has no index, since keeping one would cost each press
more than reading without it does: one pass over a million rows takes some 0.15 s.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any, Final, NamedTuple

from stagectl.errors import JournalError, nearest
from stagectl.journal.causes import cause
from stagectl.journal.schema import unpacked
from stagectl.story.rows import PAGE_FOR, Row

AT_ONCE: Final = 10_000
"""Row numbers looked through at once. Between such reads no lock is held, so that a slow reader does not let the file
beside the journal grow."""

WAITING_MAX: Final = 256
"""Presses whose first byte is waited for while a night is followed, the newest ones; of older ones none leaves."""


class Wanted(NamedTuple):
    """What rows are wanted; what is None does not count. `since_us`: at this wall time or later, µs since 1970.
    `since_at`: at this time of the night or later, ns. `slow_us`: presses whose first byte left later than so many µs
    after them, and sections that came later than that."""

    listener: str | None = None
    song: str | None = None
    pedal: str | None = None
    refused: bool = False
    since_us: int | None = None
    since_at: int | None = None
    slow_us: int | None = None


CONDITIONS: Final[Mapping[str, str]] = {
    "listener": "((kind = 'change' AND listener = :listener) OR "
    f"(kind IN ('press', 'refusal') AND who IN (:listener, '{PAGE_FOR}' || :listener)))",
    "refused": "kind = 'refusal'",
    "since_us": "wall >= :since_us",
    "since_at": "at >= :since_at",
    "slow_us": "(kind IN ('press', 'track') AND number > :slow_us)",
}
"""What a row has to be, for each part of a `Wanted` that says it of single rows. A listener's are the changes of their
mix, their own presses, those that somebody made for them on the page, and refusals of both."""

_OF_PEDAL: Final = "(pedal = :pedal OR (kind IN ('link', 'layer', 'count') AND who = :pedal))"
_ARRIVALS: Final = "SELECT id, NULL, song = :song FROM story WHERE kind = 'arrival' AND {} ORDER BY id"
_PRESSES: Final = (
    f"SELECT id, press, {_OF_PEDAL} FROM story "
    f"WHERE kind <> 'change' AND (kind = 'press' OR {_OF_PEDAL}) AND {{}} ORDER BY id"
)
_NEW: Final = "id > :told AND id <= :top"
_OF_SPANS: Final = (
    "FROM (SELECT json_extract(value, '$[0]') AS first, json_extract(value, '$[1]') AS last, "
    "json_extract(value, '$[2]') AS only FROM json_each(:spans)) "
    "CROSS JOIN story ON id >= first AND id <= last AND (only IS NULL OR press = only) WHERE"
)
_WAITS: Final = "(kind = 'press' AND number IS NULL)"

_LISTENER: Final = "CASE kind WHEN 'change' THEN listener WHEN 'press' THEN who WHEN 'refusal' THEN who END"
_NAMES: Final[Mapping[str, tuple[str, str]]] = {
    "listener": (
        _LISTENER,
        "(kind = 'change' OR (kind IN ('press', 'refusal') AND pedal IS NOT NULL AND who <> pedal))",
    ),
    "song": ("song", "kind = 'arrival'"),
    "pedal": ("pedal", "pedal IS NOT NULL"),
}
"""Where the names of a part stand, and in what rows."""

_ANY: Final[Mapping[str, str]] = {
    "listener": CONDITIONS["listener"],
    "song": "(kind = 'arrival' AND song = :song)",
    "pedal": _OF_PEDAL,
}
"""The rows in which a name is looked for."""


def unknown(connection: sqlite3.Connection, wanted: Wanted) -> dict[str, str]:
    """The names in `wanted` that the journal has nothing of: what is the matter, by the part that gives the name, with
    the nearest one that it has. Raises JournalError where it cannot be read."""
    out = {}
    for part, condition in _ANY.items():
        name = getattr(wanted, part)
        if name is not None and not fetch(connection, f"SELECT 1 FROM story WHERE {condition} LIMIT 1", {part: name}):
            out[part] = f"there is no {part} `{name}` in this night{nearest(name, names(connection, part))}"
    return out


def names(connection: sqlite3.Connection, part: str) -> list[str]:
    """The names of a part that the journal has, in the order of the alphabet. Raises JournalError where it cannot be
    read."""
    said, where = _NAMES[part]
    # Sorted here: SQLite would sort every row before it leaves out the double ones.
    found = fetch(connection, f"SELECT DISTINCT {said} FROM story WHERE {where}", {})
    return sorted(name for (name,) in found if isinstance(name, str))


def end_of(connection: sqlite3.Connection) -> int | None:
    """When the night was over, wall time, µs since 1970; None where it goes on, or was broken off. Raises JournalError
    where the journal cannot be read."""
    found = last(connection)
    return found.wall_us if found is not None and found.ends else None


class Last(NamedTuple):
    """When the last row was written, wall time, µs since 1970; its time of the night, ns; whether it ends the night."""

    wall_us: int
    at: int
    ends: bool


def last(connection: sqlite3.Connection) -> Last | None:
    """The last row so far; None where there is none. Raises JournalError where the journal cannot be read."""
    found = fetch(connection, "SELECT wall, at, kind = 'end' FROM story ORDER BY id DESC LIMIT 1", {})
    return next((Last(_whole(wall_us), _whole(at), bool(ends)) for wall_us, at, ends in found), None)


def top_of(connection: sqlite3.Connection) -> int:
    """The number of the last row so far; 0 where there is none. Raises JournalError where the journal cannot be
    read."""
    ((top,),) = fetch(connection, "SELECT coalesce(max(id), 0) FROM story", {})
    return _whole(top)


def _whole(value: object) -> int:
    """A number or a time that was asked for without its row. In a damaged or forged journal it may be anything."""
    if isinstance(value, int):
        return value
    raise JournalError("The journal is damaged: a row of `story` has no number or no time.")


def came_as(connection: sqlite3.Connection, number: int, at: int) -> bytes | None:
    """The bytes that the event came as which made the row of that number, at that time of the night, ns; None where
    time alone made it, or it did not come as bytes. Raises JournalError where the journal cannot be read.

    An event is written right before the rows that were made of it.
    """
    question = "SELECT said FROM heard WHERE id = (SELECT max(id) FROM heard WHERE id < :number) AND at = :at"
    found = fetch(connection, question, {"number": number, "at": at})
    return next((said for (said,) in found if isinstance(said, bytes)), None)


class Span(NamedTuple):
    """A run of row numbers, both ends included; where a press is named, only its rows."""

    first: int
    last: int
    press: int | None = None


class Asking:
    """A question that is put to a journal again and again, while the night goes on. `follow`: a press is told late
    rather than not at all where its first byte leaves after it was written."""

    def __init__(self, connection: sqlite3.Connection, wanted: Wanted, *, follow: bool = False) -> None:
        self._connection = connection
        self._wanted = wanted
        self._values = {part: value for part, value in wanted._asdict().items() if value is not None}
        self._where = [said for part, said in CONDITIONS.items() if self._values.get(part, False) is not False]
        self._follow = follow and wanted.slow_us is not None
        self._waiting: list[int] = []
        self._told = 0
        self._within = False
        """Whether the night is in the song that is asked for."""
        self._press: int | None = None
        """The last press, where it is one of the pedal that is asked for."""

    def rows(self) -> Iterator[tuple[int, int, Row]]:
        """The wanted rows that were written since the last time, in order: number, wall time (µs since 1970), row.
        Raises JournalError where the journal cannot be read."""
        top = top_of(self._connection)
        new = {"told": self._told, "top": top}
        yield from self._left()
        if top <= self._told:
            return
        self._told = top
        spans = self._spans(new)
        if self._follow:
            self._wait_for(spans)
        for number, wall_us, row in self._pages(spans):
            if number in self._waiting and row.number is not None:
                self._waiting.remove(number)
            yield number, wall_us, row

    def _pages(self, spans: Sequence[Span]) -> Iterator[tuple[int, int, Row]]:
        question = f"SELECT story.* {_OF_SPANS} {' AND '.join(['1', *self._where])} ORDER BY id"
        for some in _batches(spans, self._from):
            yield from map(unpacked, fetch(self._connection, question, self._values | {"spans": json.dumps(some)}))

    def _wait_for(self, spans: Sequence[Span]) -> None:
        """Remember presses of some spans whose first byte has not left yet, as far as is known."""
        where = [said for said in self._where if said != CONDITIONS["slow_us"]]
        question = f"SELECT id {_OF_SPANS} {' AND '.join([_WAITS, *where])} ORDER BY id DESC LIMIT {WAITING_MAX}"
        for some in _batches(spans, self._from):
            found = fetch(self._connection, question, self._values | {"spans": json.dumps(some)})
            self._waiting = sorted([*self._waiting, *(number for (number,) in found)])[-WAITING_MAX:]

    def _from(self, number: int) -> int:
        """The first row number that is there, from that one on; that one itself where none is."""
        ((found,),) = fetch(self._connection, "SELECT min(id) FROM story WHERE id >= :number", {"number": number})
        return number if found is None else int(found)

    def _left(self) -> Iterator[tuple[int, int, Row]]:
        """The presses among those that were waited for whose first byte has left since."""
        if not self._waiting:
            return
        question = (
            "SELECT * FROM story WHERE id IN (SELECT value FROM json_each(:waiting)) AND number IS NOT NULL ORDER BY id"
        )
        for number, wall_us, row in map(
            unpacked, fetch(self._connection, question, {"waiting": json.dumps(self._waiting)})
        ):
            self._waiting.remove(number)
            if row.number is not None and self._wanted.slow_us is not None and row.number > self._wanted.slow_us:
                yield number, wall_us, row

    def _spans(self, new: dict[str, int]) -> list[Span]:
        """The runs of new rows that belong to the song and to the pedal; one run of all where neither is asked for."""
        spans = [Span(new["told"] + 1, new["top"])]
        if self._wanted.song is not None:
            marks = fetch(self._connection, _ARRIVALS.format(_NEW), self._values | new)
            if self._within:
                marks.insert(0, (new["told"] + 1, None, True))
            spans = _runs(marks, new["top"])
            self._within = bool(marks and marks[-1][2])
        if self._wanted.pedal is not None:
            presses = fetch(self._connection, _PRESSES.format(_NEW), self._values | new)
            if self._press is not None:
                presses.insert(0, (new["told"] + 1, self._press, True))
            if presses:
                self._press = presses[-1][1] if presses[-1][2] else None
            runs = _runs(presses, new["top"])
            spans = _common(spans, [run if run.press is not None else run._replace(last=run.first) for run in runs])
        return spans


def _runs(marks: Sequence[tuple[int, int | None, bool]], top: int) -> list[Span]:
    """From each mark (its row number, its press, whether it is one of those looked for) to the one before the next."""
    ends = [*(number - 1 for number, _, _ in marks[1:]), top][: len(marks)]
    return [Span(number, end, press) for (number, press, ours), end in zip(marks, ends, strict=True) if ours]


def _common(some: Sequence[Span], others: Sequence[Span]) -> list[Span]:
    """What is in a span of each of two lists, which are in order. `others` say the press."""
    out, at = [], 0
    for first, last, press in others:
        while at < len(some) and some[at].last < first:
            at += 1
        for span in some[at:]:
            if span.first > last:
                break
            out.append(Span(max(first, span.first), min(last, span.last), press))
    return out


def _batches(spans: Sequence[Span], there: Callable[[int], int]) -> Iterator[list[Span]]:
    """The spans, cut into parts that are read at once. `there`: the next row number that there is. Numbers rise, but
    not always by one, and in a forged journal by any amount: what is between two of them is never walked through."""
    batch: list[Span] = []
    room = AT_ONCE
    for span in spans:
        first = span.first
        while first <= span.last:
            last = min(span.last, first + room - 1)
            batch.append(span._replace(first=first, last=last))
            room -= last - first + 1
            first = last + 1
            if not room:
                yield batch
                batch, room = [], AT_ONCE
                if first <= span.last:
                    first = there(first)
    if batch:
        yield batch


def fetch(connection: sqlite3.Connection, question: str, values: Mapping[str, Any]) -> list[Any]:
    """The rows of a question. Raises JournalError where the journal cannot be read."""
    try:
        return connection.execute(question, values).fetchall()
    except sqlite3.Error as error:
        raise JournalError(f"The journal cannot be read: {cause(error)}.") from error
