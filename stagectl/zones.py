"""Time zones by their names in the IANA time zone database, and which of them a journal keeps.

A journal's head keeps a zone's name, or, where none is known, what the clocks were called when the night began (`CET`)
beside their offset from UTC. Some names of the database are abbreviations, too, and only what has a stroke in it is
surely none (POSIX.1-2024, 8.3: letters, digits and signs). So a name without a stroke is kept as the one that the
database has put in its place (its file `backward`, 2024b), if its clocks are ever changed; otherwise the offset says
all.
"""

from __future__ import annotations

import re
import zoneinfo
from typing import Final

PATTERN: Final = r"(?!(?:posix|right)/|(?:localtime|posixrules|Factory)$)[A-Za-z][A-Za-z0-9_+-]*(?:/[A-Za-z0-9_+-]+)*"
"""A name of the time zone database, and none of the files beside them (`right/…` counts leap seconds)."""

IN_PLACE_OF: Final = {
    "CET": "Europe/Brussels",
    "CST6CDT": "America/Chicago",
    "Cuba": "America/Havana",
    "EET": "Europe/Athens",
    "EST5EDT": "America/New_York",
    "Egypt": "Africa/Cairo",
    "Eire": "Europe/Dublin",
    "GB": "Europe/London",
    "GB-Eire": "Europe/London",
    "Israel": "Asia/Jerusalem",
    "MET": "Europe/Brussels",
    "MST7MDT": "America/Denver",
    "NZ": "Pacific/Auckland",
    "NZ-CHAT": "Pacific/Chatham",
    "Navajo": "America/Denver",
    "PST8PDT": "America/Los_Angeles",
    "Poland": "Europe/Warsaw",
    "Portugal": "Europe/Lisbon",
    "WET": "Europe/Lisbon",
}
"""The zone that stands for each name without a stroke whose clocks are changed."""


def zone_named(name: str) -> zoneinfo.ZoneInfo | None:
    """The zone of a name; None where the database has none, or cannot be read."""
    try:
        return zoneinfo.ZoneInfo(name) if re.fullmatch(PATTERN, name) else None
    except Exception:  # noqa: BLE001 - of a folder of the database, and of half a file, zoneinfo makes errors of any kind
        return None


def kept_zone(name: str) -> zoneinfo.ZoneInfo | None:
    """The zone that a journal keeps for a name; None where its head has to make do with an offset."""
    name = IN_PLACE_OF.get(name, name)
    return zone_named(name) if "/" in name else None
