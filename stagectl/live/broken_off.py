"""Which night was broken off, if one was: by a crash, a kill, a power cut. What takes it up again is loaded only then
(`resume.py`)."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

from stagectl.errors import JournalError, NightInUse
from stagectl.journal.causes import cause
from stagectl.journal.paths import folders, ordered
from stagectl.journal.read import night, open_read
from stagectl.journal.schema import Night
from stagectl.journal.spool import lived_until, writer_of
from stagectl.show.clock_values import SECOND_NS, span_text

RESUME_MAX_S: Final = 2 * 3_600
"""How long ago a night may have been broken off, s. One that was broken off before that was not ended, that is all."""

LOOKED_AT_MAX: Final = 50
"""Journals that are looked at, the last first, for the one of a setlist."""


@dataclass(frozen=True, kw_only=True)
class BrokenOff:
    """A night without an end. `at`: its last row, ns since its beginning; `wall_us`: when that was; `heard_at`: the
    last that came in, or that row; `zero`: the monotonic time that counted as its beginning then, ns. `lived_us`: when
    its process lived last, µs since 1970, where that is known: nothing comes in for hours between soundcheck and show.
    """

    path: Path
    head: Night
    at: int
    wall_us: int
    heard_at: int
    zero: int
    lived_us: int | None = None

    def ago_s(self, wall_us: int) -> float:
        """How long ago it was broken off, by the clock on the wall, s."""
        heard_ago = (wall_us - self.wall_us) / 1e6 - (self.heard_at - self.at) / 1e9
        return heard_ago if self.lived_us is None else min(heard_ago, (wall_us - self.lived_us) / 1e6)


def last_night(folders: Iterable[Path], setlist: str, warn: Callable[[str], None]) -> Path | None:
    """The journal of the last night of a setlist, by the path of its file; None where there is none. Where the last of
    all cannot be read, that is told: it may be this one."""
    for at, path in enumerate(ordered(*folders)[:LOOKED_AT_MAX]):
        try:
            with closing(open_read(path)) as connection:
                if night(connection).path == setlist:
                    return path
        except JournalError as error:
            if at == 0:
                warn(f"the last night cannot be taken up again: {error}")
    return None


def broken_off(path: Path) -> BrokenOff | None:
    """The night of a journal, if it has no end. Raises JournalError where another process plays it, or it cannot be
    read."""
    writer = writer_of(path)
    if writer is not None:
        raise NightInUse(f"this night is being played by process {writer}: its journal is {path}")
    with closing(open_read(path)) as connection:
        head = night(connection)
        try:
            last = connection.execute("SELECT kind, wall, at FROM story ORDER BY at DESC, id DESC LIMIT 1").fetchone()
            again = connection.execute("SELECT number FROM story WHERE kind = 'resumed' ORDER BY id DESC").fetchone()
            (heard,) = connection.execute("SELECT max(at) FROM heard").fetchone()
        except sqlite3.Error as error:
            raise JournalError(f"{path} cannot be read: {cause(error)}.") from error
    if last is None or last[0] == "end":
        return None
    zero = head.zero if again is None else again[0]
    if not all(isinstance(time, int) for time in (*last[1:], zero, heard or 0)):
        raise JournalError(f"{path} is damaged: its times are no numbers.")
    heard_at = max(last[2], heard or 0)
    lived = lived_until(path)
    return BrokenOff(
        path=path,
        head=head,
        at=last[2],
        wall_us=last[1],
        heard_at=heard_at,
        zero=zero,
        lived_us=None if lived is None else round(lived * 1e6),
    )


def _quietly(_: str) -> None:
    """For those who ask whether there is one, and do not begin another."""


def broken_off_of(
    setlist: Path, path: Path | None, wall_us: int, warn: Callable[[str], None] = _quietly
) -> BrokenOff | None:
    """The last night of a setlist (the resolved path of its file), or the one of the journal that was asked for, where
    it was broken off, and not too long before the wall time `wall_us`, µs. `warn` is told why one that has no end is
    none. Raises as `broken_off` does."""
    asked_for = path is not None
    if path is None:
        path = last_night(folders(), str(setlist), warn)
    elif not path.exists():
        return None
    found = None if path is None else broken_off(path)
    if found is None or found.head.path != str(setlist):
        return None
    ago_s = found.ago_s(wall_us)
    if ago_s > RESUME_MAX_S and not asked_for:
        ago = span_text(int(ago_s) * SECOND_NS)
        warn(f"the night of {begun(found.head)} has no end, but is {ago} old: a new one is begun")
        return None
    return found


def begun(night: Night) -> str:
    """When a night began, by its own clock."""
    return f"{datetime.fromtimestamp(night.begun_us / 1e6).astimezone():%H:%M}"


def goes_on(setlist: Path, path: Path | None, wall_us: int) -> str | None:
    """What somebody has to know who looks at what a new night would begin with: that it is not a new one that `run`
    begins. `setlist`, `path`, `wall_us`: as in `broken_off_of`."""
    try:
        found = broken_off_of(setlist, path, wall_us)
    except JournalError as error:
        return f"{error}. What a new night would begin with:"
    if found is None:
        return None
    at = "" if found.head.venue is None else f" at {found.head.venue}"
    ago = span_text(max(0, int(found.ago_s(wall_us))) * SECOND_NS)
    says = (
        f"`run` takes up the night of {begun(found.head)} again, broken off {ago} ago{at}, and moves no level by that"
    )
    return f"{says}. What a new night (`--fresh`) would begin with:"
