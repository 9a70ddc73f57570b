"""The journal: can tonight be written, for how many nights is there room, and would a night be taken up again?

Nothing is claimed, and nothing is brought home: a journal is read as it lies there, and beside one that nobody writes
SQLite is kept from leaving files of its own ("URI Filenames", `immutable`).
"""

from __future__ import annotations

import errno
import os
import sqlite3
from contextlib import suppress
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Final

from stagectl.core.plan import Plan
from stagectl.errors import JournalError
from stagectl.journal.causes import cause
from stagectl.journal.paths import folders, is_journal, nights, ordered, when
from stagectl.journal.schema import HEARD_LENGTH, LEFT_LENGTH, night_unpacked
from stagectl.journal.spool import lived_until, on_its_way
from stagectl.journal.write import WAL_MAX
from stagectl.live.broken_off import LOOKED_AT_MAX, RESUME_MAX_S, BrokenOff
from stagectl.ready.finding import Finding, fine, look, wrong
from stagectl.ready.playing import as_it_lies, is_present
from stagectl.ready.room import Machine, Room
from stagectl.show.clock_values import SECOND_NS, span_text
from stagectl.story.rows import Row
from stagectl.story.sizes import size_text
from stagectl.typed import typed

JOURNAL: Final = "journal"
SPACE: Final = "disk space"
LAST: Final = "last night"

CHANGE_BYTES: Final = 150
"""What a change, and all that led to it, takes in a journal, bytes: 115 and 146 were measured in the demo nights."""

NIGHT_BYTES: Final = 3_000_000
"""What a night takes beside its changes, bytes: the show's files, the desk's levels, the end of what SQLite keeps; and
what a desk answers in ten hours of silence, 90,000 levels of 24 bytes (measured)."""

TIMES: Final = 3
"""How many times the changes of the set a night has: nudges, songs that are begun again, levels that the desk says."""

FEW, NONE = 10, 1
"""Nights: for fewer there should be more room; for less than one, tonight may not be kept whole."""

_ROWS: Final = "SELECT id, wall, at, kind, number FROM story"
_NUMBER: Final = 2 + Row._fields.index("number")
"""Where a line of `story` has its number, after its own and its wall time."""


def journal(machine: Machine) -> list[Finding]:
    """The folder of the nights."""
    folder = nights()
    return [writable(folder)]


def writable(folder: Path) -> Finding:
    """Whether a night can be written into a folder, which need not exist."""
    there = nearest_folder(folder)
    do = "mend that, or name another place with `run --journal`; else the night is kept where a restart may empty it"
    if not there.is_dir():
        return wrong(JOURNAL, f"{there} is no folder, and the nights are kept in {folder}", do)
    error = _trial(there)
    if error is not None:
        return wrong(JOURNAL, f"nothing can be written into {there}: {error}", do)
    return fine(JOURNAL, f"{folder} can be written to" if there == folder else f"{folder} can be made")


def nearest_folder(folder: Path) -> Path:
    """The nearest part of a path that exists."""
    return next((path for path in (folder, *folder.parents) if os.path.lexists(path)), folder)


def _trial(folder: Path) -> str | None:
    """Write into a file without a name (open(2), O_TMPFILE), which nobody ever sees; where the system has none such,
    ask for the rights. Returns why that cannot be."""
    unnamed = getattr(os, "O_TMPFILE", 0)
    if unnamed:
        try:
            file = os.open(folder, unnamed | os.O_RDWR, 0o600)
        except OSError as error:
            if error.errno not in (errno.EOPNOTSUPP, errno.EISDIR, errno.ENOENT):
                return error.strerror or str(error)
        else:
            try:
                os.write(file, bytes(4096))
            except OSError as error:
                return error.strerror or str(error)
            finally:
                os.close(file)
            return None
    return None if os.access(folder, os.W_OK | os.X_OK) else "it may not be written to"


def space(room: Room) -> list[Finding]:
    """The room on the disk of the nights."""
    import shutil

    folder = nearest_folder(nights())
    return [space_judged(folder, shutil.disk_usage(folder).free, night_bytes(room.plan))]


def night_bytes(plan: Plan) -> int:
    """What a night of a plan may take, bytes."""
    return NIGHT_BYTES + CHANGE_BYTES * TIMES * changes_of(plan)


def changes_of(plan: Plan) -> int:
    """How many levels move while the set is walked through once."""
    steps = [rest.steps for rest in plan.rests]
    first = sum(level is not None for level in steps[0])
    pairs = pairwise(steps)
    return first + sum(a is not b and a != b for before, after in pairs for a, b in zip(before, after, strict=True))


def space_judged(folder: Path, free: int, night: int) -> Finding:
    """What is to be said of `free` bytes, where a night may take so many, and a write-ahead file while it is played."""
    left = max(0, free - WAL_MAX) // night
    says = f"{size_text(free)} free in {folder}: "
    do = "make room on that disk: old nights can be moved, `stagectl nights` lists them"
    if left < NONE:
        return wrong(SPACE, f"{says}less than tonight may take, {size_text(night + WAL_MAX)}", do)
    says += f"{left:,} {'night' if left == 1 else 'nights'} of up to {size_text(night)}"
    return look(SPACE, says, do) if left < FEW else fine(SPACE, says)


@dataclass(frozen=True, kw_only=True)
class Lies(BrokenOff):
    """A journal as it lies there: what would be known of its night if it were broken off. `ends`: whether it was
    ended."""

    ends: bool


def last_night(room: Room) -> list[Finding]:
    """The last night of this setlist; nothing where that is the one that is played now (`others.py`)."""
    if room.player is not None:
        return []
    setlist = str(room.show.sources["setlist"].path.resolve())
    odd: list[Finding] = []
    for at, path in enumerate(ordered(*folders())[:LOOKED_AT_MAX]):
        try:
            lies = read(path)
        except (sqlite3.Error, OSError, JournalError) as error:
            if at == 0:
                # It may be the one that is to go on.
                says = str(error).rstrip(".") if isinstance(error, JournalError) else cause(error)
                odd.append(look(LAST, f"{path} cannot be read: {says}", "`stagectl nights` says more"))
            continue
        if lies is not None and lies.head.path == setlist:
            return [*odd, last_judged(lies, room.venue, int(room.now.timestamp() * 1_000_000))]
    return odd or [fine(LAST, "none of this show is kept yet: `run` begins a new one")]


def read(path: Path) -> Lies | None:
    """A journal as it lies there, with what is on its way into it; None where it is none, no row of it was written, or
    its layout is an earlier one, of which no night is taken up. Raises sqlite3.Error, OSError, JournalError."""
    if not is_journal(path):
        return None
    with as_it_lies(path) as connection:
        if not is_present(connection):
            return None
        head = connection.execute("SELECT * FROM night").fetchone()
        rows = connection.execute(f"{_ROWS} ORDER BY at DESC, id DESC LIMIT 1").fetchall()
        rows += connection.execute(f"{_ROWS} WHERE kind = 'resumed' ORDER BY id DESC LIMIT 1").fetchall()
        heard = [at for (at,) in connection.execute("SELECT max(at) FROM heard")]
    with suppress(OSError):
        for line in on_its_way(path):
            if len(line) == HEARD_LENGTH:
                heard.append(line[1])
            elif len(line) != LEFT_LENGTH:
                rows.append((*line[:4], *line[_NUMBER : _NUMBER + 1]))
    if head is None or not rows:
        return None
    times = [time or 0 for time in heard] + [time for row in rows for time in row[:3]]
    if not all(isinstance(time, int) for time in times):
        raise JournalError("the file is damaged: its times are no numbers")
    _, wall_us, at, kind, *_ = max(rows, key=lambda row: (row[2], row[0]))
    begins = night_unpacked(head)
    zeros = [(row[0], row[4]) for row in rows if row[3] == "resumed" and isinstance(row[4], int)]
    lived = lived_until(path)
    return Lies(
        path=path,
        head=begins,
        at=at,
        wall_us=wall_us,
        heard_at=max(at, *(time or 0 for time in heard)),
        zero=max(zeros)[1] if zeros else begins.zero,
        lived_us=None if lived is None else round(lived * 1e6),
        ends=kind == "end",
    )


def last_judged(lies: Lies, venue: str | None, wall_us: int) -> Finding:
    """What `run` makes of the last night, at a wall time, µs since 1970: by the rules of `live/record.py`."""
    begun = f"{when(lies.head.begun_us).astimezone():%Y-%m-%d %H:%M}"
    if lies.ends:
        return fine(LAST, f"{begun}, ended: `run` begins a new one")
    ago_s = lies.ago_s(wall_us)
    ago = span_text(max(0, int(ago_s // 60 * 60 if ago_s >= 60 else ago_s)) * SECOND_NS)
    if ago_s > RESUME_MAX_S:
        return fine(LAST, f"{begun}, broken off {ago} ago, which is too long: `run` begins a new one")
    where = lies.head.venue
    if venue not in (None, where):
        says = f"{begun}, broken off {ago} ago at {where or 'no venue'}: `run` at another one refuses"
        goes_on = f"`--venue {typed(where)}`" if where is not None else "without `--venue` it"
        return look(LAST, says, f"{goes_on} goes on there; `--fresh` begins a new one")
    at = f" at {where}" if where is not None else ""
    says = f"{begun}, broken off {ago} ago{at}: `run` takes it up again where it was, nudges and all"
    return look(LAST, says, "`stagectl run --fresh` begins a new one")
