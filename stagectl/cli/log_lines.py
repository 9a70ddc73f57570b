"""What `stagectl log` prints of rows: lines for people, JSON or CSV."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import groupby
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    import sqlite3
    from typing import TypeAlias

    from stagectl.journal.schema import Night
    from stagectl.story.rows import Row
    from stagectl.term.ink import Pen

    Written: TypeAlias = tuple[int, int, Row]
    """A row with its number and its wall time, µs since 1970."""

    Lines: TypeAlias = Callable[[Sequence[Written]], str]
    """From some rows, which begin and end with whole presses, to what is printed of them, ends of lines included."""

AT_ONCE: Final = 1_000
"""Rows from which on they are printed, before more are read."""


def heading(night: Night) -> str:
    """The setlist, the venue, and when the night began, in its own zone."""
    from stagectl.journal.paths import when
    from stagectl.journal.zone import called, zone_of
    from stagectl.story.words import plainly

    begun = when(night.begun_us).astimezone(zone_of(night))
    parts = (night.setlist, night.venue, f"{begun:%Y-%m-%d %H:%M} {called(night)}")
    return plainly(", ".join(part for part in parts if part))


def for_people(night: Night, on_wall: bool, pen: Pen = str) -> Lines:
    """One line a change of the night; the changes of one press share a line, and so do the steps of a sweep. `on_wall`:
    the time on the wall, in the night's own zone, before the time of the night. `pen`: what lines look like."""
    from stagectl.journal.zone import clock
    from stagectl.story.sweeps import swept
    from stagectl.story.told import Told
    from stagectl.story.words import lines, meant

    shown = clock(night)

    def said(rows: Sequence[Written]) -> str:
        rows = [(*rows[at][:2], row) for at, row in swept([row for _, _, row in rows])]
        if not on_wall:
            told = lines([row for _, _, row in rows])
        else:
            called = meant([row for _, _, row in rows])
            rows = [(number, wall, row) for (number, wall, _), row in zip(rows, called, strict=True)]
            told = [
                Told(f"{wall} {line}", line.kind, len(wall) + 1 + line.head)
                for some in _pressed(rows)
                for wall in (shown(some[0][1]),)
                for line in lines([row for _, _, row in some])
            ]
        return "".join(f"{pen(line)}\n" for line in told)

    return said


FROM_BYTES: Final = ("press", "refusal")
"""Kinds of rows that are told with the bytes that the pedal sent."""


def as_json(connection: sqlite3.Connection) -> Lines:
    """One JSON object a line."""
    import json

    from stagectl.journal.paths import when
    from stagectl.journal.query import came_as
    from stagectl.story.rows import as_json as fields
    from stagectl.story.wire import osc_words
    from stagectl.wire.midi import hex_text

    def line(number: int, wall_us: int, row: Row) -> str:
        one = {"wall": when(wall_us).isoformat(timespec="microseconds")} | fields(row)
        raw = came_as(connection, number, row.at) if row.kind in FROM_BYTES and row.pedal is not None else None
        if raw is not None:
            one |= {} if (words := osc_words(raw)) is None else {"osc": words}
            one["bytes"] = hex_text(raw)
        return f"{json.dumps(one, ensure_ascii=False)}\n"

    return lambda rows: "".join(line(*written) for written in rows)


def as_csv(night: Night) -> Lines:
    """One line of CSV a row, without the header."""
    from stagectl.journal.csv_rows import csv_text
    from stagectl.journal.zone import zone_of

    zone = zone_of(night)
    return lambda rows: csv_text(((wall_us, row) for _, wall_us, row in rows), zone)


def whole_presses(rows: Iterable[Written]) -> Iterator[list[Written]]:
    """The rows in parts that cut no press in two."""
    some: list[Written] = []
    for _, pressed in groupby(rows, key=lambda written: (written[2].at, written[2].press)):
        some += pressed
        if len(some) >= AT_ONCE:
            yield some
            some = []
    if some:
        yield some


def _pressed(rows: Iterable[Written]) -> Iterator[list[Written]]:
    """The rows that share a line."""
    for _, some in groupby(rows, key=lambda written: (written[2].kind, written[2].at, written[2].press)):
        yield list(some)
