"""A night is played again for what it tells of wishes.

The core does to its events what it did that night. What it told the desk, and what the desk answered, is most of the
work and bears on no wish, unless somebody's hand moved something there: only then is the desk played, too.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Final, NamedTuple

from stagectl.core.answers import READ
from stagectl.core.touch import BESIDE, HAND
from stagectl.core.whole_mixes import above_zero
from stagectl.keep.told import Told
from stagectl.keep.wished import Wished
from stagectl.show.names import WHOLE
from stagectl.story.entry import Heard
from stagectl.story.replay import Chapter, Moment, is_of_the_core
from stagectl.story.retold import Retold
from stagectl.story.rows import Row
from stagectl.story.shown import Shown

BY_HAND: Final = (HAND, BESIDE)
"""Causes of changes that come of a hand at the desk."""


class Record(NamedTuple):
    """A night as its journal keeps it. `chapters`: the plans that it was played by, the earliest first; `events` and
    `rows`: give its events and its rows, as `read.events` and `read.rows` do."""

    chapters: Sequence[Chapter]
    events: Callable[[], Iterable[tuple[int, Heard]]]
    rows: Callable[[], Iterable[tuple[int, int, Row]]]


class _Course(NamedTuple):
    """How a night went by its rows. `turns`: as `Retold` takes them; `last`: the time of the last row that the core has
    made, ns since the night began; `by_hand`: whether hands moved anything at the desk, or had put a whole mix above
    0 dB."""

    turns: Sequence[int]
    last: int
    by_hand: bool


def played_again(record: Record) -> Told:
    """What a night tells of wishes, by the sends of its last plan. Raises one of `read.NONSENSE` where an event is
    none."""
    plans = [chapter.plan for chapter in record.chapters]
    wished = Wished(plans[0], Shown(row for _, _, row in record.rows()))

    def see(at: int, moment: Moment) -> None:
        if wished.plan is not plans[at]:
            wished.goes_on_by(plans[at], moment.before)
        wished.see(moment)

    course = _course(record)
    night = Retold(record.chapters, course.turns, see=see, deaf=not course.by_hand)
    for number, kept in record.events():
        night.take(number, kept)
    night.until(course.last)
    if wished.plan is not plans[-1]:
        wished.goes_on_by(plans[-1], night.last.state)
    return wished.end()


def _course(record: Record) -> _Course:
    turns, last, by_hand = [0] * len(record.chapters), 0, False
    for number, _, row in record.rows():
        if is_of_the_core(row):
            last = max(last, row.at)
            for at, chapter in enumerate(record.chapters):
                if number <= chapter.since:
                    turns[at] = last
        by_hand = by_hand or (row.kind == "change" and (row.what in BY_HAND or _is_loud(row)))
    return _Course(turns, last, by_hand)


def _is_loud(row: Row) -> bool:
    """Whether a row says that a whole mix was read above 0 dB, which bears on what its inputs come to."""
    return row.what == READ and row.input == WHOLE and above_zero(row.after) > 0
