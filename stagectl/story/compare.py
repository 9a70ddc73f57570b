"""A night beside the same night played again: where the two differ, and in what.

Against the files of that night nothing may differ, so there every field counts but how long things took. Against edited
files something is meant to: what each event leads to is compared, not where it came from, so that a base that is 2 dB
hotter shows once, and not again in every change that follows.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Sequence
from itertools import zip_longest
from typing import Final, NamedTuple

from stagectl.story.rows import Row, as_json
from stagectl.story.times import clock
from stagectl.story.words import lines

ALONE_MAX: Final = 6
"""Rows that are told one by one; more are counted."""


class Pair(NamedTuple):
    """Rows of one event that differ: those of the night, and those of the night played again."""

    was: Sequence[Row]
    now: Sequence[Row]

    @property
    def at(self) -> int:
        """When, ns since the night began."""
        return (*self.was, *self.now)[0].at


def unlike(was: Iterable[Row], now: Iterable[Row]) -> Iterator[Pair]:
    """Rows that differ in anything but how long it took, one by one in their order."""
    for left, right in zip_longest(was, now):
        if left is None or right is None or _exact(left) != _exact(right):
            yield Pair([left] if left else [], [right] if right else [])


def led_elsewhere(was: Sequence[Row], now: Sequence[Row]) -> Pair | None:
    """What one event led to on two plans, where that differs; None where it does not."""
    both = {_outcome(row) for row in was} & {_outcome(row) for row in now}
    pair = Pair([row for row in was if _outcome(row) not in both], [row for row in now if _outcome(row) not in both])
    return pair if pair.was or pair.now else None


def told(pair: Pair) -> list[str]:
    """A pair in lines that differ: where the rows of both come to the same words, each row by itself, up to `ALONE_MAX`
    of them; where even these do, with all that is kept of it."""
    for tell in (lines, _alone, _in_full):
        was, now = tell(pair.was), tell(pair.now)
        if was != now:
            break
    return [f"{line}    ({which})" for which, told in (("was", was), ("now", now)) for line in told]


def _alone(rows: Sequence[Row]) -> list[str]:
    more = [f"  and {len(rows) - ALONE_MAX} more"] if len(rows) > ALONE_MAX else []
    return [*(line for row in rows[:ALONE_MAX] for line in lines([row])), *more]


def _in_full(rows: Sequence[Row]) -> list[str]:
    return [f"{clock(row.at):>10}  {json.dumps(as_json(row), ensure_ascii=False)}" for row in rows[:ALONE_MAX]]


def _exact(row: Row) -> Row:
    return row._replace(number=None) if row.kind in ("press", "track") else row


def _outcome(row: Row) -> Row:
    """What a row says of the night, without where it came from, nor how it is counted."""
    return row._replace(press=None, before=None, number=row.number if row.kind == "stored scene" else None)
