"""The zone of a night, as its journal's head has it, and its clock on the wall.

A zone that the time zone database knows tells of a change of the clocks; a journal that only has an offset is told by
that from end to end. What has to be told apart says which clock it is of: every time in an hour that comes twice, and
every time by other clocks than those of the night's beginning. So what is told of a row needs nothing that comes later.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from typing import Final

from stagectl.errors import JournalError
from stagectl.journal.paths import when
from stagectl.journal.schema import Night

DAY_S: Final = 24 * 3_600

_MINUTE: Final = timedelta(minutes=1)


def zone_of(night: Night) -> tzinfo:
    """The zone that a journal names; where the database has none of that name, or one that was not at the night's
    offset when it began, its name and that offset; UTC where that is none (a day or more)."""
    if abs(night.zone_offset) >= DAY_S:
        return UTC
    offset = timedelta(seconds=night.zone_offset)
    # What has no stroke may be an abbreviation, and needs no database to be loaded.
    if "/" in night.zone:
        from stagectl.zones import zone_named

        zone = zone_named(night.zone)
        try:
            if zone is not None and when(night.begun_us).astimezone(zone).utcoffset() == offset:
                return zone
        except JournalError:
            # The night began at no time of a night, which whoever tells of it says.
            pass
    return timezone(offset, night.zone) if night.zone else timezone(offset)


def called(night: Night) -> str:
    """What the clocks were called when the night began: `CET`."""
    zone = zone_of(night)
    return night.zone if isinstance(zone, timezone) else str(when(night.begun_us).astimezone(zone).tzname())


def clock(night: Night) -> Callable[[int], str]:
    """From wall times, µs since 1970, to what the clock showed: `21:04:10`; `2:30:00 CET`, with both digits of the
    hour, where that has to be told apart."""
    zone = zone_of(night)
    if isinstance(zone, timezone):
        return lambda wall_us: f"{when(wall_us).astimezone(zone):%H:%M:%S}"
    first = when(night.begun_us).astimezone(zone).utcoffset()

    def shown(wall_us: int) -> str:
        at = when(wall_us).astimezone(zone)
        alone = at.utcoffset() == first == at.replace(fold=1 - at.fold).utcoffset()
        return f"{at:%H:%M:%S}" if alone else f"{at:%H:%M:%S} {at.tzname()}"

    return shown


def moments(shown: datetime, zone: tzinfo) -> list[datetime]:
    """When a zone's clock shows a whole minute, UTC, in order: two times where it is put back; where it is put forward
    over that, the first time after it. `shown`: without a zone."""
    found = sorted({shown.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1)})
    both = [at for at in found if at.astimezone(zone).replace(tzinfo=None) == shown]
    if both:
        return both
    at = found[0]
    while at.astimezone(zone).replace(tzinfo=None) < shown:
        at += _MINUTE
    return [at]
