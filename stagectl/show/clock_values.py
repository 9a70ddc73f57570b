"""Times of day, dates, time zones and lengths of time in words, as types of the models."""

from __future__ import annotations

import re
import zoneinfo
from datetime import date
from decimal import Decimal
from functools import lru_cache
from typing import Any, Final

from stagectl.show.values import NUMBER_MAX, Typed, plain, said, shortest
from stagectl.zones import PATTERN, zone_named

DAY_MIN: Final = 24 * 60
"""Minutes of a day on the clock, whatever a change of the clocks makes of it."""

SECOND_NS: Final = 1_000_000_000
MINUTE_NS: Final = 60 * SECOND_NS
HOUR_NS: Final = 60 * MINUTE_NS

DATE_MIN: Final = date(2000, 1, 1)
DATE_MAX: Final = date(2099, 12, 31)
"""The dates that a timetable may name: a year outside of them is a slip."""


def clock_text(minutes: int) -> str:
    """A time of day, minutes since midnight, as people write it: `9:05`, `21:00`; `24:00` is the midnight that ends
    the day."""
    return f"{minutes // 60}:{minutes % 60:02d}"


_TIME = r"([01]?[0-9]|2[0-3]):([0-5][0-9])|(24):(00)"
_OTHERWISE = r"([0-9]{1,2})(?:[:.h]([0-5][0-9])?)?\s*([ap]\.?m\.?)?"


class ClockText(Typed, frozen=True):
    """A time of day, in minutes since midnight: `16:00`, `9:05`; `24:00` is the midnight that ends the day
    (ISO 8601:2004)."""

    def parse(self, typed: Any) -> int:
        found = re.fullmatch(_TIME, plain(typed))
        if found is None:
            raise ValueError(f"{said(typed)} is not a time of day from 0:00 to 24:00, such as `21:00`{_meant(typed)}")
        return int(found[1] or found[3]) * 60 + int(found[2] or found[4])

    def written(self, value: int) -> str:
        return clock_text(value)

    def schema(self) -> dict[str, Any]:
        return {"type": "string", "pattern": "^(([01]?[0-9]|2[0-3]):[0-5][0-9]|24:00)$"}


def _meant(typed: Any) -> str:
    """The time that was meant by `9.30 pm`, `21h` or `21.00`, as a hint."""
    found = re.fullmatch(_OTHERWISE, plain(typed), re.IGNORECASE)
    if found is None or not (found[2] or found[3] or "h" in found[0].lower()):
        return ""
    hour, half = int(found[1]), (found[3] or "")[:1].lower()
    if half:
        if not 1 <= hour <= 12:
            return ""
        hour = hour % 12 + (12 if half == "p" else 0)
    return f"; did you mean `{hour}:{found[2] or '00'}`?" if hour < 24 else ""


_DATE = r"[0-9]{4}-[0-9]{2}-[0-9]{2}"


class DateText(Typed, frozen=True):
    """A date, as ISO 8601 has it: `2026-11-27`."""

    def parse(self, typed: Any) -> date:
        text = plain(typed)
        try:
            day = date.fromisoformat(text) if re.fullmatch(_DATE, text) else None
        except ValueError:
            day = None
        if day is None or not DATE_MIN <= day <= DATE_MAX:
            example = "year, month and day, such as `2026-11-27`"
            raise ValueError(f"{said(typed)} is not a date from {DATE_MIN} to {DATE_MAX}: {example}")
        return day

    def written(self, value: date) -> str:
        return value.isoformat()

    def schema(self) -> dict[str, Any]:
        return {"type": "string", "format": "date", "pattern": "^20[0-9]{2}-[0-9]{2}-[0-9]{2}$"}


@lru_cache(maxsize=1)
def zones() -> tuple[str, ...]:
    """Every time zone of this machine's database, by name. Takes some 60 ms the first time."""
    return tuple(sorted(name for name in zoneinfo.available_timezones() if re.fullmatch(PATTERN, name)))


class ZoneText(Typed, frozen=True):
    """A time zone by its name in the IANA time zone database: `Europe/Lisbon`."""

    def parse(self, typed: Any) -> str:
        name = plain(typed)
        if zone_named(name) is None:
            raise ValueError(f"{said(typed)} is not a time zone of the IANA database{_nearest_zone(name)}")
        return name

    def schema(self) -> dict[str, Any]:
        return {"enum": list(zones())}


NEAR: Final = 0.75
"""How alike a name and the one that was meant have to be (`difflib`)."""

ABBREVIATION_MAX: Final = 4
"""Names of so few letters are abbreviations such as `CEST`, and near to nothing but by chance."""


def _nearest_zone(name: str) -> str:
    """The zone that was meant, by its whole name or by its place alone. Nobody is led to an abbreviation, nor to
    `Etc/GMT+1`, which is an hour behind UTC and not ahead of it."""
    if not zones():
        return "; this machine has none: install the Python package `tzdata`"
    typed = name.replace(" ", "_").lower()
    places = {zone.rpartition("/")[2].lower(): zone for zone in zones() if "/" in zone and not zone.startswith("Etc/")}
    known = places | {zone.lower(): zone for zone in places.values()}
    meant = {zone.lower(): zone for zone in zones()}.get(typed) or known.get(typed)
    if meant is None and len(typed) > ABBREVIATION_MAX:
        from difflib import get_close_matches

        close = get_close_matches(typed, known, n=1, cutoff=NEAR)
        meant = known[close[0]] if close else None
    return f"; did you mean `{meant}`?" if meant else ", such as `Europe/Lisbon` or `America/New_York`"


_NUMBER = r"([0-9]+(?:\.[0-9]*)?|\.[0-9]+) *"
_SPAN = rf"(?:{_NUMBER}h)? *(?:{_NUMBER}min)? *(?:{_NUMBER}s)?"
_UNITS = (HOUR_NS, MINUTE_NS, SECOND_NS)


def span_text(ns: int) -> str:
    """A length of time as people write it: `45 s`, `10 min`, `1 h 30 min`; `0 s`."""
    hours, rest = divmod(ns, HOUR_NS)
    minutes, rest = divmod(rest, MINUTE_NS)
    seconds = shortest(rest / SECOND_NS)
    parts = [f"{hours} h"] * bool(hours) + [f"{minutes} min"] * bool(minutes) + [f"{seconds:g} s"] * bool(seconds)
    return " ".join(parts) or "0 s"


class SpanText(Typed, frozen=True):
    """A length of time with its unit, in ns: `30 min`, `1 h`, `90 s`, `1 h 30 min`. Where `none` is given, that word
    means 0."""

    low: int
    high: int
    none: str = ""

    def parse(self, typed: Any) -> int:
        text = plain(typed)
        if self.none and text.lower() in (self.none, "false", "off"):
            return 0
        found = re.fullmatch(_SPAN, text) if text and len(text) <= NUMBER_MAX else None
        ns = None
        if found is not None:
            ns = int(sum(Decimal(part) * unit for part, unit in zip(found.groups(), _UNITS, strict=True) if part))
        if ns is None or not self.low <= ns <= self.high:
            span = f"from {span_text(self.low)} to {span_text(self.high)} with its unit, such as `10 min` or `1 h`"
            raise ValueError(f"{said(typed)} is not a time {span}" + (f", or `{self.none}`" if self.none else ""))
        return ns

    def written(self, value: int) -> str:
        return self.none if self.none and value == 0 else span_text(value)

    def schema(self) -> dict[str, Any]:
        part = r"[0-9]*\.?[0-9]+ *"
        span = {"type": "string", "pattern": rf"^(?=.)({part}h)? *({part}min)? *({part}s)?$"}
        if not self.none:
            return span
        words = [{"const": self.none}, {"const": False}, {"type": "string", "pattern": "^([nN][oO]|[oO][fF][fF])$"}]
        return {"anyOf": [span, *words]}
