"""The night's timetable: load-in, line check, doors, set and curfew, by the clock on the wall.

The setlist gives times of day in the order of the night. One that is earlier than the one before it is on the next day,
so that a set at 23:30 has its curfew at 1:00; from the first to the last they come to no more than a day. A reminder of
one's own (`also`) is at the time of its name that is nearest to the night.

Where no date is given, the night that is running is meant, or else the next one: it runs from its first time until
`OVER_NS` after its last.

A clock that is put forward leaves an hour out, and one that is put back has an hour twice. RFC 5545 (3.3.5) says what a
time in such an hour means, and so does Python's `fold=0` (PEP 495): one that does not exist is counted with the offset
before the change, so that it comes as long after the evening as if nothing had been put forward; of one that comes
twice the first is meant, which for a curfew is the safe one.

Times of one zone are never subtracted as they stand, since Python then counts as if no clock were ever changed: `apart`
is the one way from two times to what lies between them.
"""

from collections.abc import Iterable, Iterator, Mapping
from datetime import UTC, date, datetime, timedelta, tzinfo
from enum import Enum
from typing import TYPE_CHECKING, Annotated, Final, NamedTuple
from zoneinfo import ZoneInfo

from pydantic import Field

from stagectl.show.clock_values import DAY_MIN, HOUR_NS, MINUTE_NS, SECOND_NS, ClockText, DateText, SpanText, ZoneText
from stagectl.show.values import FileModel, Name

if TYPE_CHECKING:
    from stagectl.show.setlist import SetlistModel

REMIND_MAX: Final = 12
"""Reminders before one time."""

ALSO_MAX: Final = 32
"""Reminders of one's own."""

BEFORE_MAX: Final = 12 * HOUR_NS
"""How long before a time a reminder of it may be, ns."""

OVER_NS: Final = 4 * HOUR_NS
"""How long after its last time a night still counts as the one that is running, ns: a set may run over, and a daemon
that is begun again behind the curfew should not speak of tomorrow."""

REMIND: Final = (30 * MINUTE_NS, 15 * MINUTE_NS, 5 * MINUTE_NS)
"""How long before each time people are reminded, ns, where the setlist does not say (common practice, no source)."""


class AlsoModel(FileModel):
    """A reminder of one's own."""

    at: Annotated[int, ClockText()] = Field(description="when, such as `20:45`")
    say: Name = Field(description="what is said")


class TimetableModel(FileModel):
    """The night by the clock on the wall. All of it may be left out."""

    zone: Annotated[str, ZoneText()] | None = Field(
        None, description="the time zone by its name, such as `Europe/Lisbon`; left out, that of this machine"
    )
    date_: Annotated[date, DateText()] | None = Field(
        None, description="the day on which the night begins, such as `2026-11-27`; left out, the running or next night"
    )
    load_in: Annotated[int, ClockText()] | None = Field(None, description="when the gear may come in, such as `16:00`")
    line_check: Annotated[int, ClockText()] | None = Field(None, description="when the line check begins")
    doors: Annotated[int, ClockText()] | None = Field(None, description="when the audience comes in")
    set_: Annotated[int, ClockText()] | None = Field(None, description="when the set begins")
    curfew: Annotated[int, ClockText()] | None = Field(
        None, description="when it has to be quiet; one that is earlier than the set is on the next day"
    )
    remind: list[Annotated[int, SpanText(SECOND_NS, BEFORE_MAX)]] = Field(
        list(REMIND), max_length=REMIND_MAX, description="how long before each of these times people are reminded"
    )
    also: list[AlsoModel] = Field([], max_length=ALSO_MAX, description="further reminders of one's own")

    @property
    def times(self) -> Mapping[str, int]:
        """The times of day that are given, minutes since midnight, by name in the order of the night."""
        found = {name: getattr(self, field) for field, name in _TIMES.items()}
        return {name: at for name, at in found.items() if at is not None}

    @property
    def here(self) -> tzinfo | None:
        """The time zone that is given."""
        return None if self.zone is None else ZoneInfo(self.zone)


_TIMES: Final = {
    "load_in": "load in",
    "line_check": "line check",
    "doors": "doors",
    "set_": "set",
    "curfew": "curfew",
}
"""The times of a night by their fields, in their order."""


def timetable_at(setlist: "SetlistModel", venue: str | None) -> TimetableModel | None:
    """The timetable at a venue: what the venue's own one says goes over the setlist's, entry by entry, as a venue's
    levels go over the base; one that it leaves empty is taken away. None where there is neither."""
    own = setlist.timetables.get(venue) if venue is not None else None
    if own is None or setlist.timetable is None:
        return own or setlist.timetable
    return setlist.timetable.model_copy(update={field: getattr(own, field) for field in own.model_fields_set})


def timetables(setlist: "SetlistModel") -> Iterator[tuple[str | None, TimetableModel]]:
    """Every timetable that can count, with its venue: that of no venue, then those of the venues with their own."""
    for venue in (None, *setlist.timetables):
        found = timetable_at(setlist, venue)
        if found is not None:
            yield venue, found


def offsets(model: TimetableModel) -> Mapping[str, int]:
    """Minutes from the midnight that begins the night's date, by name, in the order of the night."""
    found: dict[str, int] = {}
    day, last = 0, 0
    for name, at in model.times.items():
        if day + at < last:
            day += DAY_MIN
        last = found[name] = day + at
    return found


class Clocks(Enum):
    """What a change of the clocks makes of a time of day."""

    MISSING = "does not exist"
    TWICE = "comes twice"


class Entry(NamedTuple):
    """A time of the night. `name`: of its entry, or what is said where it is `own`; `at`: an aware time in the night's
    zone; `clock`: minutes since midnight, as the setlist has it; `change`: where a change of the clocks hits it."""

    name: str
    at: datetime
    clock: int
    own: bool = False
    change: Clocks | None = None


def apart(before: datetime, after: datetime) -> timedelta:
    """How long it really is from one aware time to another."""
    return after.astimezone(UTC) - before.astimezone(UTC)


def clock_of(at: datetime) -> int:
    """The minutes since midnight that the clock on the wall shows."""
    return at.hour * 60 + at.minute


def local(day: date, minutes: int, zone: tzinfo) -> tuple[datetime, Clocks | None]:
    """The time that is `minutes` behind the midnight of a date on the clocks of a zone, by the rule above."""
    wall = datetime(day.year, day.month, day.day) + timedelta(minutes=minutes)  # noqa: DTZ001 - its zone comes next
    first, second = (wall.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    before, after = first.utcoffset(), second.utcoffset()
    if before is None or after is None or before == after:
        return first, None
    change = Clocks.MISSING if before < after else Clocks.TWICE
    return first.astimezone(UTC).astimezone(zone), change


def on(model: TimetableModel, day: date, zone: tzinfo) -> tuple[Entry, ...]:
    """The night that begins on a date: its times in their order, then the reminders of one's own in theirs."""
    found = offsets(model)
    entries = [_entry(name, day, minutes, zone) for name, minutes in found.items()]
    span = list(found.values())
    for one in model.also:
        minutes = _nearest_to(span, one.at)
        span = span or [minutes]
        entries.append(_entry(one.say, day, minutes, zone)._replace(own=True))
    return tuple(entries)


def _entry(name: str, day: date, minutes: int, zone: tzinfo) -> Entry:
    at, change = local(day, minutes, zone)
    return Entry(name, at, minutes % DAY_MIN, change=change)


def _nearest_to(span: list[int], clock: int) -> int:
    """The minutes from the night's midnight to the time of day that is nearest to the night; the later of two."""
    if not span:
        return clock
    days = (DAY_MIN, 0, -DAY_MIN)
    return min((clock + day for day in days), key=lambda at: max(min(span) - at, at - max(span), 0))


def night_of(model: TimetableModel, now: datetime) -> tuple[Entry, ...]:
    """The night that is meant at an aware time: that of the date, or else the running or the next one. Its zone is the
    timetable's, or else that of `now`. Raises ValueError where `now` has none."""
    zone = model.here or now.tzinfo
    if zone is None:
        raise ValueError("a time without a time zone says nothing of a night")
    if model.date_ is not None:
        return on(model, model.date_, zone)
    today = now.astimezone(zone).date()
    nights = [on(model, today + timedelta(days=days), zone) for days in (-2, -1, 0, 1, 2)]
    if not nights[0]:
        return ()
    begun = [night for night in nights if apart(min(times(night)), now) >= timedelta()]
    is_over = apart(max(times(begun[-1])), now) >= timedelta(microseconds=OVER_NS // 1000)
    return nights[len(begun)] if is_over else begun[-1]


def times(night: Iterable[Entry]) -> list[datetime]:
    """The times of a night in UTC, in which they can be compared."""
    return [entry.at.astimezone(UTC) for entry in night]
