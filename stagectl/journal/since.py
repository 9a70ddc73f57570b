"""Since when rows are wanted, as people say it: by the clock on the wall, by the time of the night, or so long ago.

`0:44` may be either of the first two, and so may `1:12:30`, since the log shows both like that. The first is taken for
the clock where the night had come to that time on the wall; where it had not, the clock would leave nothing of it, and
it is taken for minutes and seconds into the night, if it got that far. The second is taken for a time of the night; for
the clock, where the night did not last so long and had come to that on the wall. A time on the wall is the one that the
night had come to, or else the one that is nearest to its beginning, so that the time of doors is all of the night. Of a
time that comes twice, as clocks are put back, the first is meant, unless it says which (`2:30 CET`).
"""

from __future__ import annotations

import re
from datetime import datetime, time, timedelta
from typing import Final, NamedTuple

from stagectl.errors import nearest
from stagectl.journal.paths import EPOCH, when
from stagectl.journal.query import Last, Wanted
from stagectl.journal.schema import Night
from stagectl.journal.zone import moments, zone_of

EARLY: Final = timedelta(hours=12)
"""A clock time up to so long before the night began is taken to be before it, unless the night had come to it again;
any other, to be the next one after."""

QUIET_US: Final = 3_600_000_000
"""A night without an end that nothing was written to for so long, µs, is taken to have been broken off then."""

SAYS: Final = "a clock time (`21:40`), a time of the night (`1:12:30`, `4:05.2`) or a while (`10 min`)"

HOUR_MAX: Final = 23
"""From the next one on it is no hour of a clock, but minutes into the night."""

_DAY: Final = timedelta(days=1)
_MINUTE: Final = timedelta(minutes=1)
_MICROSECOND: Final = timedelta(microseconds=1)
_CLOCK: Final = re.compile(r"(\d{1,2}):(\d{2})(?::(\d{2}))?(?:\s+([A-Za-z]+|[+-]\d{2,4}))?")
_NIGHT: Final = re.compile(r"(?:(\d{1,3}):(\d{2}):(\d{2})|(\d{1,3}):(\d{2}))(?:\.(\d{1,3}))?")
_AGO: Final = re.compile(r"(\d{1,6})\s*(s|min|h)(?:\s+ago)?")
_UNITS_US: Final = {"s": 1_000_000, "min": 60_000_000, "h": 3_600_000_000}


def since(text: str, night: Night, now_us: int, last: Last | None = None) -> Wanted:
    """What is wanted by a text. A clock time is of the night's own zone; a while counts back from the wall time
    `now_us`, µs since 1970, or from the night's last row, where that has ended it or is long ago. `last`: that row, so
    far. Raises ValueError where it says no time."""
    said = text.strip()
    if (ago := _AGO.fullmatch(said)) is not None:
        return Wanted(since_us=_until(now_us, last) - int(ago[1]) * _UNITS_US[ago[2]])
    clock = _clock(text, said)
    if clock is None:
        return Wanted(since_at=_into(text, said))
    until_us = _until(now_us, last)
    at_us = _by_the_clock(text, clock, night, 0 if last is None else until_us)
    on_wall = Wanted(since_us=at_us)
    if clock.zone:
        return on_wall
    at = _into(text, said)
    into = Wanted(since_at=at)
    if last is None:
        return into if clock.has_seconds else on_wall
    came_to = at_us <= until_us
    if clock.has_seconds:
        return on_wall if came_to and at > _lasted(last, until_us) else into
    return into if not came_to and at <= last.at else on_wall


def note(text: str, wanted: Wanted) -> str | None:
    """What is to be said of how a text was taken, that could be a clock time."""
    clock = _clock(text, text.strip())
    if clock is None or clock.zone:
        return None
    if clock.has_seconds:
        says = f"the night did not last {text.strip()}: it is taken as the time on the wall"
        return None if wanted.since_us is None else says
    says = f"the night had not come to {text.strip()} on the wall: it is taken as minutes and seconds into the night"
    return None if wanted.since_at is None else says


class _Clock(NamedTuple):
    """A text that can be a clock time. `zone`: what the clocks are called, where it says that."""

    shows: time
    has_seconds: bool
    zone: str | None


def _clock(text: str, said: str) -> _Clock | None:
    """The clock time that a text can be; None where it can be none. Raises ValueError where it nearly is one."""
    found = _CLOCK.fullmatch(said)
    if found is None or int(found[1]) > HOUR_MAX:
        return None
    hour, minute, second = (int(part or 0) for part in found.groups()[:3])
    if max(minute, second) > 59:
        raise ValueError(f"`{text}` is no time of the day, which go from `0:00` to `23:59`")
    return _Clock(time(hour, minute, second), found[3] is not None, found[4])


def _into(text: str, said: str) -> int:
    """The time of the night that a text says, ns. Raises ValueError where it says none."""
    at = _NIGHT.fullmatch(said)
    if at is None:
        raise ValueError(f"`{text}` is no time; give {SAYS}")
    hours, minutes, seconds = (int(part or 0) for part in (at[1], at[2] or at[4], at[3] or at[5]))
    if seconds > 59 or (at[1] is not None and minutes > 59):
        raise ValueError(f"`{text}`: minutes and seconds go from 0 to 59")
    return (((hours * 60 + minutes) * 60 + seconds) * 1_000 + int((at[6] or "").ljust(3, "0"))) * 1_000_000


def _until(now_us: int, last: Last | None) -> int:
    """Up to when the night went, or has gone, wall time, µs."""
    if last is None or (not last.ends and now_us - last.wall_us < QUIET_US):
        return now_us
    return last.wall_us


def _lasted(last: Last, until_us: int) -> int:
    """How long the night went on, ns."""
    return last.at + max(0, until_us - last.wall_us) * 1_000


def _by_the_clock(text: str, clock: _Clock, night: Night, until_us: int) -> int:
    """When the clocks showed that, wall time, µs. `until_us`: up to when the night went."""
    begun, until = when(night.begun_us), EPOCH + until_us * _MICROSECOND
    found = _shown(text, clock, night)
    within = [at for at in found if begun - _MINUTE < at <= until]
    before = [at for at in found if -EARLY <= at - begun < timedelta()]
    after = [at for at in found if at >= begun]
    at = [*within[:1], *before[-1:], *after, found[-1]][0]
    return (at - EPOCH) // _MICROSECOND


def _shown(text: str, clock: _Clock, night: Night) -> list[datetime]:
    """When clocks show a time, from the day before the night to the second one after it. Raises ValueError where they
    are not called as it says."""
    zone = zone_of(night)
    day = when(night.begun_us).astimezone(zone).date()
    found = [at for days in (-1, 0, 1, 2) for at in moments(datetime.combine(day + days * _DAY, clock.shows), zone)]
    if clock.zone is None:
        return found
    names = {at: str(at.astimezone(zone).tzname()) for at in found}
    so_called = [at for at in found if names[at].casefold() == clock.zone.casefold()]
    if not so_called:
        raise ValueError(
            f"`{text}`: no clock of the night shows `{clock.zone}` then{nearest(clock.zone, names.values())}"
        )
    return so_called
