"""Where the nights are kept, and what a night's file is called."""

from __future__ import annotations

import os
import re
import tempfile
from collections.abc import Iterator
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final, NamedTuple

from stagectl.errors import JournalError
from stagectl.journal.claim import may_be_own, running
from stagectl.journal.schema import APPLICATION_ID

SUFFIX: Final = ".night"

EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)

WALL_MAX_US: Final = 7_258_118_400_000_000
"""2200-01-01T00:00Z, µs since 1970."""

_STAMP: Final = "%Y-%m-%dT%H-%M-%S"
_STAMP_LENGTH: Final = len("2026-11-25T19-30-00")
_STAMPED: Final = "[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}-[0-9]{2}-[0-9]{2}"
_HEADER: Final = 72


def nights() -> Path:
    """The folder of the nights, which need not exist yet: in the folder that the service manager gives in
    `$STATE_DIRECTORY` (the first, where it gives several), or else in the user's own state folder."""
    given = os.environ.get("STATE_DIRECTORY", "").split(os.pathsep)[0]
    if given:
        return Path(given) / "nights"
    from platformdirs import user_state_dir

    return Path(user_state_dir("stagectl", appauthor=False)) / "nights"


def spare_nights() -> Path:
    """This user's folder of the nights that could not be kept in `nights()`, which need not exist."""
    return Path(tempfile.gettempdir()) / f"{running().name}-nights"


def folders() -> list[Path]:
    """The folders in which nights are: `nights()`; the spare one, where the system has a place for that; and one in
    memory, for a night that no disk takes. The last two lie where every user may make folders; what lies in one that
    somebody else has made is no night of ours."""
    return [nights(), *_others()]


def _others() -> Iterator[Path]:
    with suppress(OSError):
        if may_be_own(spare := spare_nights()):
            yield spare
    with suppress(OSError):
        if may_be_own(running()) and may_be_own(memory := running() / "nights"):
            yield memory


def when(wall_us: int) -> datetime:
    """The wall time `wall_us`, microseconds since 1970, as a time in UTC. Raises JournalError where it is none of a
    night: before 1970, or after 2200."""
    if not 0 <= wall_us < WALL_MAX_US:
        raise JournalError(f"The journal is damaged: {wall_us} µs since 1970 is no time of a night, 1970 to 2200.")
    return EPOCH + timedelta(microseconds=wall_us)


def new_path(folder: Path, begun_us: int, *others: Path) -> Path:
    """A name in `folder` for the night that began at the wall time `begun_us`, µs: `2026-11-25T19-30-00.night`, and
    `…-2.night` for the second of one instant. It is free there and in the `others`, and comes after every name in them:
    where the clock is behind, as on a computer that has none of its own, it is that of the last night, with the next
    number."""
    names = [_order(path) for path in _in(*{folder, *others})]
    stamp = max([when(begun_us).strftime(_STAMP), *(night.stamp for night in names)])
    taken = max((night.number for night in names if night.stamp == stamp), default=0)
    return folder / f"{stamp}{f'-{taken + 1}' if taken else ''}{SUFFIX}"


def _in(*folders: Path) -> list[Path]:
    found: list[Path] = []
    for folder in folders:
        with suppress(OSError):
            found += [path for path in folder.iterdir() if path.suffix == SUFFIX]
    return found


def by_name(*folders: Path) -> list[Path]:
    """What is called like a journal in the folders, the first night first. Where a night has gone on in another folder,
    under the same name, only the journal there counts."""
    found: dict[str, list[Path]] = {}
    for path in _in(*folders):
        same = found.setdefault(path.name, [])
        if same and _are_of_one_night(same[-1], path):
            same.pop()
        same.append(path)
    return sorted((path for same in found.values() for path in same), key=_order)


def _are_of_one_night(one: Path, other: Path) -> bool:
    from stagectl.journal.spool import which_night

    return which_night(one) == which_night(other) is not None


def ordered(*folders: Path) -> list[Path]:
    """The journals of the folders by their names, the last night first. A file that was never finished as a journal
    (the program was killed while it began one) is passed over."""
    return [path for path in by_name(*folders)[::-1] if is_journal(path)]


def latest(*folders: Path) -> Path | None:
    """The journal of the last night in the folders, or None."""
    return next(iter(ordered(*folders)), None)


class _Order(NamedTuple):
    """Where a journal stands among others by its name: `stamp`, empty where somebody has given it another one, so that
    it comes before all others; the `number` among those of one stamp, from 1."""

    stamp: str
    number: int
    name: str


def _order(path: Path) -> _Order:
    stamp, extra = path.stem[:_STAMP_LENGTH], path.stem[_STAMP_LENGTH + 1 :]
    number = int(extra) if extra.isdecimal() else 1
    return _Order(stamp if re.fullmatch(_STAMPED, stamp) else "", number, path.name)


def is_journal(path: Path) -> bool:
    """Whether the file's header says that it is a journal. A file that cannot be read is none."""
    try:
        with path.open("rb") as file:
            header = file.read(_HEADER)
    except OSError:
        return False
    # The SQLite file format, section 1.3: the application id is at offset 68, big-endian.
    return header.startswith(b"SQLite format 3\0") and header[68:] == APPLICATION_ID.to_bytes(4, "big")
