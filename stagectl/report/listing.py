"""The list of the nights: what each journal says of itself, asked of SQLite, so that big journals take no longer than
it takes to read them."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from stagectl.core.answers import READ
from stagectl.core.gestures import Gesture
from stagectl.ears.report import SONG_MIN
from stagectl.errors import JournalError
from stagectl.journal.causes import cause
from stagectl.journal.paths import by_name
from stagectl.journal.read import night, open_read
from stagectl.journal.schema import Night
from stagectl.journal.zone import zone_of
from stagectl.report.wall import Wall
from stagectl.story.sweeps import SWEEP_NS, WAITS

_SUMS: Final = """
SELECT max(at), total(kind = 'change' AND what IS NOT :read), total(kind = 'change' AND what IS :read),
    (SELECT kind FROM story ORDER BY id DESC LIMIT 1)
FROM story
"""

_ONCE: Final = """
SELECT count(*) FROM (
    SELECT kind, {step} AND at - lag(at) OVER told <= :sweep
        AND (kind, who, pedal, control, {as_before}) IS (
            lag(kind) OVER told, lag(who) OVER told, lag(pedal) OVER told, lag(control) OVER told,
            lag({as_before}) OVER told
        ) AS goes_on
    FROM story WHERE kind IN ({kinds}) WINDOW told AS (ORDER BY id)
) WHERE kind = '{kind}' AND goes_on IS NOT 1
"""

_PRESSES: Final = _ONCE.format(
    kind="press", kinds="'press'", step=f"gesture = '{Gesture.TURN.value}'", as_before="gesture"
)

_REFUSALS: Final = _ONCE.format(
    kind="refusal", kinds="'refusal', 'arrival'", step="detail = :waits", as_before="detail"
)
"""Each sweep once, as `Once` of `story/sweeps.py` counts; an arrival begins a new one, as in what `log` tells."""

_SONGS: Final = f"""
SELECT count(*) FROM (
    SELECT song FROM (
        SELECT song, section, lead(at, 1, :end) OVER (ORDER BY id) - at AS stayed FROM story WHERE kind = 'arrival'
    ) WHERE song IS NOT NULL AND (song <> 'base' OR section IS NOT NULL) GROUP BY song HAVING sum(stayed) >= {SONG_MIN}
)
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Listed:
    """One journal. `begun`: on the wall; `long`: ns; `size`: bytes of the file and of what SQLite keeps beside it;
    `changes`: levels that somebody or the night moved; `read`: those that were only read from the desk.
    `presses`, `refusals`: a sweep of a treadle is one.
    Where `fault` says what is wrong with it, the rest may be empty."""

    path: Path
    size: int
    head: Night | None = None
    begun: str = ""
    long: int = 0
    songs: int = 0
    presses: int = 0
    changes: int = 0
    refusals: int = 0
    read: int = 0
    ends: bool = False
    fault: str | None = None


def listed(*folders: Path) -> list[Listed]:
    """Every journal of the folders, the oldest first by its name. A folder that is not there has none."""
    return [one(path) for path in dict.fromkeys(path.resolve() for path in by_name(*folders))]


def one(path: Path) -> Listed:
    """What a journal says of itself, or what is wrong with it."""
    size = sum(_size(Path(f"{path}{end}")) for end in ("", "-wal"))
    head = None
    try:
        with closing(open_read(path)) as connection:
            head = night(connection)
            begun = Wall(head.begun_us, zone_of(head), 0).at(0)
            return _sums(connection, path, size, head, f"{begun:%Y-%m-%d %H:%M}")
    except JournalError as error:
        return Listed(path=path, size=size, head=head, fault=str(error))
    except sqlite3.Error as error:
        return Listed(path=path, size=size, head=head, fault=f"{path} cannot be read: {cause(error)}.")


def _sums(connection: sqlite3.Connection, path: Path, size: int, head: Night, begun: str) -> Listed:
    end, changes, read, last = connection.execute(_SUMS, {"read": READ}).fetchone()
    if not isinstance(end, int | None):
        raise JournalError(f"{path} is damaged: a time of its story is none.")
    long = max(0, end or 0)
    (songs,) = connection.execute(_SONGS, {"end": long}).fetchone()
    sweeps = {"sweep": SWEEP_NS, "waits": WAITS}
    presses, refusals = (connection.execute(question, sweeps).fetchone()[0] for question in (_PRESSES, _REFUSALS))
    return Listed(
        path=path,
        size=size,
        head=head,
        begun=begun,
        long=long,
        songs=songs,
        presses=presses,
        changes=int(changes),
        refusals=refusals,
        read=int(read),
        ends=last == "end",
    )


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def as_json(item: Listed) -> dict[str, Any]:
    """One object: s and bytes."""
    out: dict[str, Any] = {"path": str(item.path), "size": item.size}
    if item.head is not None:
        out |= {"setlist": item.head.setlist, "venue": item.head.venue}
    if item.fault is not None:
        return out | {"fault": item.fault}
    assert item.head is not None
    return out | {
        "begun": Wall(item.head.begun_us, zone_of(item.head), 0).at(0).isoformat(),
        "long_s": round(item.long / 1e9, 6),
        "songs": item.songs,
        "presses": item.presses,
        "changes": item.changes,
        "read": item.read,
        "refusals": item.refusals,
        "has_end": item.ends,
    }
