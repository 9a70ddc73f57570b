"""The clock on the wall as a report tells it.

Everything of a night is ordered by the clock that nobody sets: ns since the night began. It stands still while the
machine sleeps, and the clock on the wall goes on: so where that has gained up to `SLEPT_MAX_US` at once, times before
it are told as it stood then, as in `log`. Where it has gained more, or gone back, it was set, and was wrong before
that: times are then counted from where it stood after it.

Where the clocks are changed in the night, each time says by which of the two it is told. A journal that has no zone's
name knows of no change (`journal/zone.py`), unless the show's timetable does.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta, tzinfo
from typing import Final

from stagectl.errors import JournalError
from stagectl.journal.paths import when

SECOND_NS: Final = 1_000_000_000

WALL_MAX_US: Final = 7_258_118_400_000_000
"""The year 2200: a wall time beyond it, or before 1970, is no time of a night, µs."""

SLEPT_MAX_US: Final = 12 * 3_600 * 1_000_000
"""For how long a machine may sleep in a night, µs: a clock that gains more at once was wrong before."""


def may_have_slept(by_us: int) -> bool:
    """Whether a clock on the wall that gained so much at once may have gone on while the machine slept."""
    return 0 < by_us <= SLEPT_MAX_US


class Wall:
    """From times of the night, ns, to times on the wall. `begun_us`: µs since 1970, by the clock as it stood at the
    end. `end`: the last time of the night. `steps`: from when on, ns, the clock on the wall had gained how much, µs, in
    their order.

    Raises JournalError where that is no time of a night.
    """

    def __init__(self, begun_us: int, zone: tzinfo, end: int, steps: Sequence[tuple[int, int]] = ()) -> None:
        if not 0 <= begun_us < WALL_MAX_US:
            raise JournalError(
                f"the journal says that the night began {begun_us} µs after 1970; a night is between 1970 and 2200"
            )
        self._begun = when(begun_us)
        self._slept = [(at, timedelta(microseconds=by)) for at, by in steps if may_have_slept(by)]
        self.zone = zone
        ends = min(max(end, 0), 366 * 24 * 3600 * SECOND_NS)
        first, last = self.at(0), self.at(ends)
        self._day: date = first.date()
        self.changes = first.utcoffset() != last.utcoffset()
        """Whether the clocks are changed in this night."""

    def at(self, ns: int) -> datetime:
        """The time on the wall. A time of the night that no calendar has is the nearest one that it has."""
        year = 366 * 24 * 3600 * SECOND_NS
        utc = self._begun + timedelta(microseconds=min(max(ns, -year), 20 * year) // 1000)
        yet = sum((by for step, by in self._slept if ns < step), timedelta())
        return (utc - yet).astimezone(self.zone)

    def ns(self, at: datetime) -> int:
        """The time of the night of a time on the wall; where the machine slept then, the time at which it woke."""
        out = (at.astimezone(UTC) - self._begun) // timedelta(microseconds=1) * 1000
        for step, by in reversed(self._slept):
            if out >= step:
                return out
            out = min(out + by // timedelta(microseconds=1) * 1000, step)
        return out

    def text(self, at: int | datetime, seconds: bool = False) -> str:
        """`21:04`, `21:04:10`; `0:12 next day`, `1:30 CET` where the clocks are changed that night."""
        here = self.at(at) if isinstance(at, int) else at.astimezone(self.zone)
        out = f"{here.hour}:{here.minute:02d}" + (f":{here.second:02d}" if seconds else "")
        if self.changes:
            out += f" {here.tzname()}"
        days = (here.date() - self._day).days
        return out + ("" if not days else " next day" if days == 1 else f" {here.date()}")

    @property
    def day(self) -> date:
        """The date on which the night began."""
        return self._day

    @property
    def zone_text(self) -> str:
        """`CET, 1 h ahead of UTC`."""
        here = self.at(0)
        offset = here.utcoffset() or timedelta()
        minutes = abs(offset) // timedelta(minutes=1)
        hours, rest = divmod(minutes, 60)
        long = f"{hours} h {rest} min" if rest else f"{hours} h"
        way = f"{long} {'ahead of' if offset > timedelta() else 'behind'} UTC" if minutes else ""
        name = here.tzname() or "UTC"
        return ", ".join(part for part in (name, way) if part)


def long_text(ns: int) -> str:
    """A length of time: `0.4 s`, `12 s`, `2 min 49 s`, `3 h 38 min`."""
    if 0 < abs(ns) < 10 * SECOND_NS:
        return f"{ns / SECOND_NS:.1f} s"
    from stagectl.ears.report import long

    return long(max(0, ns) / SECOND_NS)


def step_text(by_us: int) -> str:
    """By how much a clock was set: `1 h 0 min forward`."""
    return f"{long_text(abs(by_us) * 1000)} {'forward' if by_us > 0 else 'back'}"
