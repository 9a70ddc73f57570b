"""The clock on the wall: is it plausible, is it kept in step, whose zone is it, and how long is it to doors?

Source of what the kernel says: adjtimex(2), and include/uapi/linux/timex.h for the struct: a mode of 0 only reads;
STA_UNSYNC in `status`, or TIME_ERROR as the result, where nothing keeps the clock in step; `maxerror` in µs.
"""

from __future__ import annotations

import ctypes
import sys
from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime, timedelta, tzinfo
from pathlib import Path
from typing import Final, NamedTuple

from stagectl.live.clock import local_zone
from stagectl.ready.finding import Finding, fine, look, unknown, wrong
from stagectl.ready.room import Room
from stagectl.show.clock_values import MINUTE_NS, clock_text, span_text
from stagectl.show.timetable import OVER_NS, Entry, apart, clock_of, night_of, times, timetable_at

CLOCK: Final = "clock"
IN_STEP: Final = "clock in step"
ZONE: Final = "time zone"
TIMETABLE: Final = "timetable"

LATER_S: Final = 120
"""How much later than now a file may be said to be saved, s: another machine's clock may have written it."""

FAR: Final = timedelta(hours=24)
"""A night that begins later than that is not tonight."""

OVER: Final = timedelta(microseconds=OVER_NS // 1_000)
"""A night whose last time was longer ago than that is not tonight: where the timetable had no date, the next would be
meant."""

STA_UNSYNC: Final = 0x0040
TIME_ERROR: Final = 5

TOLD: Final = ("doors", "set")
"""The times that are counted down to."""


class InStep(NamedTuple):
    """What the kernel says of its clock. `error_us`: by how much it may be off at most, µs."""

    kept: bool
    error_us: int


def clock(room: Room) -> list[Finding]:
    """The clock, against the show's files and the timetable."""
    timetable = timetable_at(room.show.setlist, room.venue)
    saved = {Path(path): _saved(Path(path)) for path in room.show.files}
    found = [plausible(room.now, {path: at for path, at in saved.items() if at is not None})]
    found.append(in_step(kernel(), matters=timetable is not None))
    if timetable is not None:
        found += zones(room.now, timetable.here, local_zone())
        now = room.now.astimezone(timetable.here or local_zone())
        found.append(to_go(night_of(timetable, now), now))
    return found


def _saved(path: Path) -> datetime | None:
    try:
        return datetime.fromtimestamp(path.stat().st_mtime, UTC)
    except (OSError, OverflowError, ValueError):
        return None


def plausible(now: datetime, saved: Mapping[Path, datetime]) -> Finding:
    """Whether it can be that time. `saved`: when each file of the show was saved."""
    says = f"{now:%Y-%m-%d %H:%M:%S}"
    path = max(saved, key=lambda path: saved[path], default=None)
    if path is not None and apart(now, saved[path]).total_seconds() > LATER_S:
        when = f"{saved[path].astimezone(now.tzinfo):%Y-%m-%d %H:%M}"
        do = "set the clock: `sudo timedatectl set-time` on Linux, or find it a network"
        return wrong(CLOCK, f"{says} is before {path.name} was saved, {when}", do)
    return fine(CLOCK, f"{says}, after the show was saved last")


def in_step(found: InStep | None, *, matters: bool) -> Finding:
    """Whether anything keeps it right. `matters`: whether anything goes by it."""
    if found is None:
        return unknown(IN_STEP, "whether anything keeps it so is not known here")
    if found.kept:
        return fine(IN_STEP, f"the kernel says so, to within {max(1, found.error_us // 1000):,} ms")
    says = "nothing keeps it so, says the kernel"
    if not matters:
        return fine(IN_STEP, f"{says}; no timetable goes by it")
    return look(IN_STEP, says, "compare it with a phone's; with a network, `sudo timedatectl set-ntp true`")


class _Timex(ctypes.Structure):
    """`struct timex`; the room behind it is for layouts with longer times."""

    _fields_ = [
        ("modes", ctypes.c_uint),
        *((name, ctypes.c_long) for name in ("offset", "freq", "maxerror", "esterror")),
        ("status", ctypes.c_int),
        *((name, ctypes.c_long) for name in ("constant", "precision", "tolerance", "seconds", "useconds", "tick")),
        ("rest", ctypes.c_byte * 256),
    ]


def kernel() -> InStep | None:
    """What the kernel says; None where it is not Linux, or says nothing."""
    if not sys.platform.startswith("linux"):
        return None
    try:
        asks = ctypes.CDLL(None, use_errno=True).adjtimex
    except (OSError, AttributeError):
        return None
    found = _Timex()
    result = asks(ctypes.byref(found))
    if result < 0:
        return None
    return InStep(result != TIME_ERROR and not found.status & STA_UNSYNC, found.maxerror)


def zones(now: datetime, timetable: tzinfo | None, here: tzinfo) -> Iterator[Finding]:
    """Whether this machine's zone and the timetable's show the same time now."""
    ours = _ahead(now, here)
    if timetable is None:
        yield fine(ZONE, f"{_name(now, here)}; the timetable names no other")
    elif _ahead(now, timetable) == ours:
        yield fine(ZONE, f"{_name(now, here)}, as on the timetable's clocks")
    else:
        says = f"this machine has {_name(now, here)}, the timetable {timetable}, {_name(now, timetable)}"
        yield look(
            ZONE, says, f"`sudo timedatectl set-timezone {timetable}`; the timetable counts by its own either way"
        )


def _ahead(now: datetime, zone: tzinfo) -> timedelta:
    return now.astimezone(zone).utcoffset() or timedelta()


def _name(now: datetime, zone: tzinfo) -> str:
    """`WET, UTC+00:00`."""
    there = now.astimezone(zone)
    offset = f"{there:%z}"
    return f"{there.tzname()}, UTC{offset[:3]}:{offset[3:5]}"


def to_go(night: Sequence[Entry], now: datetime) -> Finding:
    """How long it is to doors and to the set, at an aware time."""
    told = [entry for entry in night if not entry.own]
    if not told:
        return fine(TIMETABLE, "it has no times")
    day, do = f"{told[0].at:%Y-%m-%d}", "mend its `date`, or the clock; or this is not tonight's show"
    if apart(now, told[0].at) > FAR:
        return look(TIMETABLE, f"it is for {day}, and today is {now:%Y-%m-%d}", do)
    if apart(max(times(night)), now) >= OVER:
        return look(TIMETABLE, f"its night, that of {day}, is over, and it is {now:%Y-%m-%d %H:%M}", do)
    counted = [entry for entry in told if entry.name in TOLD] or told
    return fine(TIMETABLE, "; ".join(_one(entry, now) for entry in counted))


def _one(entry: Entry, now: datetime) -> str:
    minutes = round(apart(now, entry.at).total_seconds() / 60)
    at = clock_text(clock_of(entry.at))
    if minutes >= 0:
        return f"{entry.name} in {span_text(minutes * MINUTE_NS)}, at {at}"
    return f"{entry.name} {span_text(-minutes * MINUTE_NS)} ago, at {at}"
