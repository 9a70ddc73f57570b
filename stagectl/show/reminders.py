"""What is said of a night's times, and when: reminders before each of them, and the countdowns to the set and the
curfew."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import UTC, datetime, timedelta
from typing import Final, NamedTuple

from stagectl.show.clock_values import HOUR_NS, MINUTE_NS, SECOND_NS, clock_text, span_text
from stagectl.show.timetable import Entry, TimetableModel, apart, clock_of

COUNTDOWN: Final = tuple(minutes * MINUTE_NS for minutes in (60, 30, 15, 10, 5, 1))
"""How long before the set, and before the curfew, is said how long it is till then, ns; whatever else people are to be
reminded of."""

COUNTED_DOWN: Final = ("set", "curfew")

NOMINAL_NS: Final = 5 * SECOND_NS
"""A reminder that comes no later than this says what it was to say, ns: nobody wants `29 min 58 s`."""

_SAID: Final = {"load in": "load-in"}
"""What an entry is called in a sentence, where it is not its key."""


class Key(NamedTuple):
    """What no other reminder of any night has: the same one, planned again, has the same."""

    at: datetime
    before: int
    own: bool
    name: str


class Reminder(NamedTuple):
    """Something to be said `at` a time in UTC: `before` an entry, ns; 0 at its time."""

    at: datetime
    before: int
    entry: Entry

    @property
    def key(self) -> Key:
        """What it is known by."""
        return Key(self.at, self.before, self.entry.own, self.entry.name)

    @property
    def text(self) -> str:
        """What it is to say at its time: `doors in 30 min`, `it is 19:30: doors`."""
        name = self.entry.name
        if self.entry.own:
            return name
        name = _SAID.get(name, name)
        return f"{name} in {span_text(self.before)}" if self.before else f"it is {_clock(self.entry)}: {name}"

    def text_at(self, now: datetime, to_go: int | None = None) -> str:
        """What it says where it comes at another time: how long there really is. `to_go`: what is to go of the set, ns,
        where it is running; said of the curfew."""
        late = apart(self.at, now)
        text, left = self.text, self.before
        if self.before and abs(late) > timedelta(microseconds=NOMINAL_NS // 1000):
            left = max(0, self.before - int(late / timedelta(microseconds=1)) * 1000)
            name = _SAID.get(self.entry.name, self.entry.name)
            text = f"{name} in {span_text(rounded(left))}" if left else f"{name} was at {_clock(self.entry)}"
        if to_go is None or self.entry.own or self.entry.name != "curfew":
            return text
        return f"{text}; {to_go_text(to_go, left)}"


def reminders(model: TimetableModel, night: Iterable[Entry]) -> tuple[Reminder, ...]:
    """Everything that is to be said of a night, in the order of its time."""
    return tuple(sorted(_all(model, night), key=lambda one: one.key))


def _all(model: TimetableModel, night: Iterable[Entry]) -> Iterator[Reminder]:
    for entry in night:
        counts = entry.name in COUNTED_DOWN
        before = () if entry.own else {*model.remind, *(COUNTDOWN if counts else ())}
        at = entry.at.astimezone(UTC)
        yield from (Reminder(at - timedelta(microseconds=ns // 1000), ns, entry) for ns in {0, *before})


def due(some: Iterable[Reminder], after: datetime, until: datetime | None = None) -> tuple[Reminder, ...]:
    """Those whose time is after one time and no later than another, where one is given."""
    return tuple(one for one in some if after < one.at and (until is None or one.at <= until))


def rounded(ns: int) -> int:
    """To the whole minute; below two minutes to the whole second."""
    unit = MINUTE_NS if ns >= 2 * MINUTE_NS else SECOND_NS
    return (ns + unit // 2) // unit * unit


def about(ns: int) -> str:
    """A length that is an estimate, in whole minutes, rounded up: `about 12 min`, `about 1 h 5 min`; `less than a
    minute`."""
    if ns <= MINUTE_NS:
        return "less than a minute"
    return f"about {span_text(-(-ns // MINUTE_NS) * MINUTE_NS)}"


def to_go_text(to_go: int, left: int) -> str:
    """How much of the set is to go, ns, and by how much that is too long for the time that is left, ns."""
    over = to_go - left
    more = f", {about(over).removeprefix('about ')} too long" if over > 0 else ""
    return f"{about(to_go)} of the set to go{more}"


def night_text(night: Iterable[Entry]) -> str:
    """A night's times in a line: `load-in 16:00, doors 19:30, set 21:00, curfew 1:00`."""
    return ", ".join(f"{_SAID.get(entry.name, entry.name)} {_clock(entry)}" for entry in night if not entry.own)


def stepped_text(by_s: float) -> str:
    """That somebody or something set the computer's clock, by so many seconds."""
    by = rounded(abs(round(by_s * SECOND_NS)))
    hours = by // HOUR_NS
    size = f"{hours // 24} days" if hours >= 48 else span_text(by)
    return f"the computer's clock was set {'forward' if by_s > 0 else 'back'} by {size}"


def _clock(entry: Entry) -> str:
    return clock_text(clock_of(entry.at))
