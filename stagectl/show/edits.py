"""Noticing that the files of a show were saved, by what `stat` says of each.

A file that is being written has another size a moment later: it counts as saved when two looks in turn agree.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from contextlib import suppress
from itertools import islice
from pathlib import Path
from typing import Final, NamedTuple, TypeAlias

BESIDE_MAX: Final = 200
"""Files beside the setlist that are looked at."""

Stamp: TypeAlias = tuple[int, int, int]
"""A file's inode, size and time of its last change, ns."""


class Look(NamedTuple):
    """What `stat` says of some files; None for one that is not there."""

    stamps: dict[Path, Stamp | None]


def look(files: Iterable[str], folder: Path | None = None) -> Look:
    """One look at some files, and at those of a folder that a show may be made of."""
    beside: list[Path] = []
    if folder is not None:
        # A folder that is away for a moment is looked at again.
        with suppress(OSError), os.scandir(folder) as entries:
            named = (Path(entry.path) for entry in entries if entry.name.endswith((".yaml", ".mid")))
            beside = [*islice(named, BESIDE_MAX)]
    return Look({path: _stamp(path) for path in {*map(Path, files), *beside}})


def _stamp(path: Path) -> Stamp | None:
    try:
        found = path.stat()
    except (OSError, ValueError):
        return None
    return found.st_ino, found.st_size, found.st_mtime_ns


class Edits:
    """Whether files were saved since they were read last."""

    def __init__(self, first: Look) -> None:
        self._read = first
        self._last = first

    def are_new(self, now: Look) -> bool:
        """Whether the files have to be read: they differ from what was read, and have come to rest."""
        rests = now == self._last
        self._last = now
        if not rests or now == self._read:
            return False
        self._read = now
        return True
