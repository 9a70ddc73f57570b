"""Backups, whole ones and hostile ones, and disks that fail."""

from __future__ import annotations

import errno
import hashlib
import io
import json
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any, BinaryIO

from stagectl.archive.bounds import MANIFEST
from stagectl.archive.disk import Disk
from stagectl.where import shipped

SHOWS = ("nine-songs", "three-songs")

NOTHING = b"nothing much\n"


def show(name: str) -> Path:
    """The folder of a demo show."""
    return shipped("setlists") / name


def listed(path: str, content: bytes, **changes: Any) -> dict[str, Any]:
    """A file as a manifest lists it."""
    sha256 = hashlib.sha256(content).hexdigest()
    file = {"path": path, "what": "setlist", "size": len(content), "sha256": sha256, "time": "2026-11-25T19:30:00Z"}
    return file | {"shipped": False} | changes


def manifest(*files: dict[str, Any], **changes: Any) -> bytes:
    """A manifest, the first file of which is the setlist."""
    said = {"format": 1, "program": "0", "when": "2026-11-25T19:30:00Z", "title": "duo", "setlist": files[0]["path"]}
    return json.dumps(said | {"files": files, "left": []} | changes).encode()


Change = Callable[[zipfile.ZipInfo], None]


def zipped(*files: tuple[str, bytes] | tuple[str, bytes, Change], said: bytes | None = None) -> bytes:
    """A zip of files, each with its content and what else is done to its entry. `said`: its manifest; else one that
    lists them all."""
    out = io.BytesIO()
    if said is None:
        said = manifest(*(listed(path, content) for path, content, *_ in files))
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as into:
        into.writestr(MANIFEST, said)
        for path, content, *changes in files:
            entry = zipfile.ZipInfo("x")
            entry.filename = entry.orig_filename = path
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.external_attr = 0o100644 << 16
            for change in changes:
                change(entry)
            into.writestr(entry, content)
    return out.getvalue()


class FailingDisk(Disk):
    """A disk whose call number `nth` fails, and every later one if `lasting`. Writing to a file is a call."""

    def __init__(self, nth: int, *, lasting: bool = False) -> None:
        self.nth, self.lasting, self.calls, self.met = nth, lasting, 0, False

    def call(self) -> None:
        self.calls += 1
        if self.calls == self.nth or (self.lasting and self.calls > self.nth):
            self.met = True
            raise OSError(errno.ENOSPC, "No space left on device")

    def begin(self, path: Path) -> BinaryIO:
        self.call()
        return Failing(path, self)

    def finish(self, file: BinaryIO) -> None:
        self.call()
        super().finish(file)

    def put_file(self, made: Path, path: Path) -> None:
        self.call()
        super().put_file(made, path)

    def begin_folder(self, beside: Path) -> Path:
        self.call()
        return super().begin_folder(beside)

    def make_folder(self, path: Path) -> None:
        self.call()
        super().make_folder(path)

    def put_folder(self, made: Path, path: Path) -> None:
        self.call()
        super().put_folder(made, path)


class Failing(io.FileIO):
    """A file, each write of which is a call of a disk."""

    def __init__(self, path: Path, disk: FailingDisk) -> None:
        super().__init__(path, "x+")
        self._disk = disk

    def write(self, data: Any) -> int:
        self._disk.call()
        return super().write(data)


def tree(folder: Path) -> dict[str, bytes]:
    """Every file below a folder, hidden ones too."""
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}
