"""Were the show's files edited since they were last packed?

A backup may lie anywhere; it is looked for beside the show, in the folder above and in the present one. One is of this
show when it has the same title and the same setlist's file in it. It is compared by sums (SHA-256), and not by times,
which a copy may change: one that has every file as it is now is enough, whatever the others have; else the one with
the newest file says what was edited. What `restore` would refuse is no backup: all but the nights in it is read.
"""

from __future__ import annotations

import hashlib
import zipfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from itertools import islice
from pathlib import Path
from typing import Final, NamedTuple

from stagectl.archive.bounds import MANIFEST, MANIFEST_MAX
from stagectl.archive.check import BROKEN, SPARED, check
from stagectl.archive.gather import gather
from stagectl.archive.manifest import Manifest, read_manifest
from stagectl.errors import DeviceError, FileFaults
from stagectl.journal.causes import cause
from stagectl.ready.finding import Finding, fine, look
from stagectl.ready.room import Room
from stagectl.regular import open_regular

BACKUP: Final = "backup"

LOOKED_AT_MAX: Final = 100
"""Zip files of one folder that are looked into."""

NAMED_MAX: Final = 3
"""Files that a sentence names; more are counted."""


class Kept(NamedTuple):
    """A backup that was found. `refused`: why it cannot be restored, in a sentence; None where it can be."""

    path: Path
    manifest: Manifest
    refused: str | None = None

    @property
    def sums(self) -> Mapping[str, str]:
        """SHA-256 of what it holds of the show itself, by the place in the backup."""
        return {one.path: one.sha256 for one in self.manifest.files if one.what not in SPARED}

    @property
    def when(self) -> datetime:
        """The time of its newest file."""
        return max(one.when for one in self.manifest.files)


def backups(room: Room) -> list[Finding]:
    """The last backup beside the show, above it, or in the present folder."""
    try:
        gathered = gather(room.show)
    except FileFaults as error:
        return [look(BACKUP, f"it cannot be packed: {error.faults[0]}", "mend that, then `stagectl backup`")]
    now = {piece.path: hashlib.sha256(_content(piece.content)).hexdigest() for piece in gathered.pieces}
    own = room.show.folder.resolve()
    folders = dict.fromkeys((own, own.parent, Path.cwd()))
    found = [one for one in _all(folders) if _is_of(one.manifest, gathered.title, gathered.setlist)]
    return [judged([one._replace(refused=_refused(one.path)) for one in found], now, list(folders))]


def judged(found: Sequence[Kept], now: Mapping[str, str], folders: Iterable[Path]) -> Finding:
    """What is to be said of the show's backups. `now`: the sums of its files by their places in a backup."""
    do = "`stagectl backup` packs the show as it is now"
    if not found:
        return look(BACKUP, f"there is none in {', '.join(map(str, folders))}", do)
    whole = [kept for kept in found if kept.refused is None]
    for kept in whole:
        if all(kept.sums.get(path) == is_now for path, is_now in now.items()):
            return fine(BACKUP, f"{kept.path.name} has every file as it is now")
    kept = max(whole or found, key=lambda one: one.when)
    if kept.refused is not None:
        return look(BACKUP, f"{kept.path.name} cannot be restored: {kept.refused}", do)
    edited = [path for path, is_now in now.items() if kept.sums.get(path) != is_now]
    more = f" and {len(edited) - NAMED_MAX} more" if len(edited) > NAMED_MAX else ""
    return look(BACKUP, f"edited since {kept.path.name}: {', '.join(edited[:NAMED_MAX])}{more}", do)


def _is_of(manifest: Manifest, title: str, setlist: str) -> bool:
    return (manifest.title, manifest.setlist) == (title, setlist)


def _content(content: bytes | Path) -> bytes:
    return content if isinstance(content, bytes) else content.read_bytes()


def _all(folders: Iterable[Path]) -> Iterator[Kept]:
    for folder in folders:
        try:
            paths = sorted(islice(folder.glob("*.zip"), LOOKED_AT_MAX))
        except OSError:
            continue
        for path in paths:
            manifest = _manifest(path)
            if manifest is not None:
                yield Kept(path, manifest)


def _manifest(path: Path) -> Manifest | None:
    """The manifest of a backup; None where the file is none, or cannot be read."""
    try:
        with open_regular(path) as file, zipfile.ZipFile(file) as packed, packed.open(MANIFEST) as said:
            return read_manifest(said.read(MANIFEST_MAX))
    except (OSError, KeyError, *BROKEN):
        return None


def _refused(path: Path) -> str | None:
    """Why a backup cannot be restored; None where it can be."""
    try:
        with open_regular(path) as file:
            check(file, path.name, nights=False)
    except FileFaults as error:
        return error.faults[0].text
    except DeviceError as error:
        return str(error)
    except OSError as error:
        return cause(error)
    return None
