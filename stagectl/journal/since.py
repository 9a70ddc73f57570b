"""Since when rows are wanted, as people say it: by the clock on the wall, by the time of the night, or so long ago.

`0:44` may be either of the first two, since the log shows both like that. It is taken for the clock where the night
had come to that time on the wall; where it had not, the clock would leave nothing of it, and it is taken for minutes
and seconds into the night, if it got that far. Of a time that comes twice, as clocks are put back, the first is meant.
"""

from __future__ import annotations

import re
from datetime import datetime, time, timedelta
from typing import Final

from stagectl.journal.paths import EPOCH, when
from stagectl.journal.query import Last, Wanted
from stagectl.journal.schema import Night
from stagectl.journal.zone import moments, zone_of

EARLY: Final = timedelta(hours=1)
"""A clock time up to so long before the night began is taken to be before it; any other, to be the next one after."""

QUIET_US: Final = 3_600_000_000
"""A night without an end that nothing was written to for so long, µs, is taken to have been broken off then."""

SAYS: Final = "a clock time (`21:40`), a time of the night (`1:12:30`, `4:05.2`) or a while (`10 min`)"

HOUR_MAX: Final = 23
"""From the next one on it is no hour of a clock, but minutes into the night."""

_DAY: Final = timedelta(days=1)
_CLOCK: Final = re.compile(r"(\d{1,2}):(\d{2})")
_NIGHT: Final = re.compile(r"(?:(\d{1,3}):(\d{2}):(\d{2})|(\d{1,3}):(\d{2}))(?:\.(\d{1,3}))?")
_AGO: Final = re.compile(r"(\d{1,6})\s*(s|min|h)(?:\s+ago)?")
_UNITS_US: Final = {"s": 1_000_000, "min": 60_000_000, "h": 3_600_000_000}


def since(text: str, night: Night, now_us: int, last: Last | None = None) -> Wanted:
    """What is wanted by a text. A clock time is of the night's own zone; a while counts back from the wall time
    `now_us`, µs since 1970. `last`: the night's last row so far. Raises ValueError where it says no time."""
    said = text.strip()
    if (clock := _CLOCK.fullmatch(said)) is not None and int(clock[1]) <= HOUR_MAX:
        at_us = _by_the_clock(text, int(clock[1]), int(clock[2]), night)
        into = (int(clock[1]) * 60 + int(clock[2])) * 1_000_000_000
        if last is not None and into <= last.at and at_us > _until(now_us, last):
            return Wanted(since_at=into)
        return Wanted(since_us=at_us)
    if (ago := _AGO.fullmatch(said)) is not None:
        return Wanted(since_us=now_us - int(ago[1]) * _UNITS_US[ago[2]])
    if (at := _NIGHT.fullmatch(said)) is not None:
        hours, minutes, seconds = (int(part or 0) for part in (at[1], at[2] or at[4], at[3] or at[5]))
        if seconds > 59 or (at[1] is not None and minutes > 59):
            raise ValueError(f"`{text}`: minutes and seconds go from 0 to 59")
        return Wanted(
            since_at=(((hours * 60 + minutes) * 60 + seconds) * 1_000 + int((at[6] or "").ljust(3, "0"))) * 1_000_000
        )
    raise ValueError(f"`{text}` is no time; give {SAYS}")


def note(text: str, wanted: Wanted) -> str | None:
    """What is to be said of how a text was taken, that could be a clock time."""
    clock = _CLOCK.fullmatch(text.strip())
    if clock is None or int(clock[1]) > HOUR_MAX or wanted.since_at is None:
        return None
    return f"the night had not come to {clock[0]} on the wall: it is taken as minutes and seconds into the night"


def _until(now_us: int, last: Last) -> int:
    """Up to when the night went, or has gone, wall time, µs."""
    return now_us if now_us - last.wall_us < QUIET_US else last.wall_us


def _by_the_clock(text: str, hour: int, minute: int, night: Night) -> int:
    if minute > 59:
        raise ValueError(f"`{text}` is no time of the day, which go from `0:00` to `23:59`")
    begun, zone = when(night.begun_us), zone_of(night)
    day = begun.astimezone(zone).date()
    days = (datetime.combine(day + ahead * _DAY, time(hour, minute)) for ahead in (-1, 0, 1, 2))
    found = next(at for shown in days for at in moments(shown, zone) if at - begun >= -EARLY)
    return (found - EPOCH) // timedelta(microseconds=1)
