"""This machine's time zone, by its name.

The C library follows `TZ` or else the file /etc/localtime, which hold rules and need no name. Most systems make the
latter a link into the time zone database, which says it (localtime(5) of systemd); others write it into /etc/timezone,
where it may be out of date. So no name is believed before its zone shows, for a night's length, what this machine's
clocks do. It is read here, within a millisecond: tzlocal, which knows more places, takes thirty, and is asked on
Windows alone, whose zones have names of their own.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

from stagectl.regular import open_regular
from stagectl.zones import kept_zone

NIGHT_H: Final = 24
"""For so many hours a zone has to show what this machine's clocks do."""

NAME_MAX: Final = 256
"""Bytes of /etc/timezone that are read."""

DATABASE: Final = "/zoneinfo/"
"""What stands before a zone's name in its file's path."""


def own_zone(now_s: float, root: Path = Path("/")) -> ZoneInfo | None:
    """This machine's zone at a wall time, s since 1970; None where its name cannot be found out, or tells something
    else than its clocks. Raises nothing. `root`: where `etc` is."""
    for name in _names(root):
        zone = kept_zone(name)
        if zone is not None and _tells(zone, now_s):
            return zone
    return None


def _names(root: Path) -> Iterator[str]:
    """What may be its name, the surest first. Where `TZ` is set, nothing else counts (POSIX.1-2024, 8.3)."""
    tz = os.environ.get("TZ")
    if tz is not None:
        yield _of_path(tz) or tz.removeprefix(":")
        return
    for says in (_linked, _written, _windows):
        name = says(root)
        if name:
            yield name


def _of_path(path: str) -> str | None:
    return path.partition(DATABASE)[2].removeprefix("posix/") or None


def _linked(root: Path) -> str | None:
    return _of_path(os.path.realpath(root / "etc" / "localtime"))


def _written(root: Path) -> str | None:
    """The first word of /etc/timezone that is no comment."""
    try:
        with open_regular(root / "etc" / "timezone") as file:
            lines = file.read(NAME_MAX).decode("ascii").splitlines()
    except (OSError, ValueError):
        return None
    return next((words[0] for line in lines if (words := line.partition("#")[0].split())), None)


def _windows(_: Path) -> str | None:
    if sys.platform != "win32":
        return None
    from tzlocal import get_localzone_name

    try:
        return get_localzone_name()
    except (LookupError, ValueError, OSError):
        return None


def _tells(zone: ZoneInfo, now_s: float) -> bool:
    """Whether a zone shows for a night's length what this machine's clocks do."""
    try:
        return all(
            datetime.fromtimestamp(at, zone).utcoffset() == timedelta(seconds=time.localtime(at).tm_gmtoff)
            for at in (now_s + hour * 3_600 for hour in range(NIGHT_H + 1))
        )
    except (OverflowError, ValueError, OSError):
        return False
