"""Writing the setlist over: whole or not at all, with what it was beside it.

The new text goes into a temporary file in the same folder, and onto the disk. What was there goes into a backup that
bears the date and takes no other file's name. Only then does the temporary file take the setlist's name, in one step.
Whatever fails, or whenever the program is killed, the setlist is the old one or the new one, and the old text is kept.
A link is followed: the file that it leads to is written, beside itself.
"""

from __future__ import annotations

import errno
import os
import stat
import tempfile
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import Final

from stagectl.errors import Fault, FileFaults
from stagectl.regular import open_regular

BACKUPS_MAX: Final = 1_000
"""Backups of one second."""


class Disk:
    """What is asked of the disk, a call each. Every one raises OSError."""

    def read(self, path: Path) -> bytes:
        """What a file holds."""
        with open_regular(path) as file:
            return file.read()

    def mode(self, path: Path) -> int:
        """A file's permissions."""
        return stat.S_IMODE(path.stat().st_mode)

    def temporary(self, path: Path) -> tuple[int, str]:
        """A new file beside a file, open for writing, and its name."""
        return tempfile.mkstemp(prefix=f".{path.name}.", suffix=".new", dir=path.parent)

    def exclusive(self, path: Path) -> int:
        """A new file of this name, open for writing. Raises FileExistsError where there is one."""
        return os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)

    def write(self, handle: int, raw: bytes) -> int:
        """Some of these bytes into an open file; how many."""
        return os.write(handle, raw)

    def permit(self, handle: int, mode: int) -> None:
        """Give an open file its permissions."""
        if os.chmod in os.supports_fd:
            os.chmod(handle, mode)

    def sync(self, handle: int) -> None:
        """Have the disk keep an open file."""
        os.fsync(handle)

    def close(self, handle: int) -> None:
        """Close an open file."""
        os.close(handle)

    def replace(self, made: str, path: Path) -> None:
        """Give a file the name of another one, which is gone then."""
        os.replace(made, path)

    def sync_folder(self, folder: Path) -> None:
        """Have the disk keep the names in a folder, where the system opens folders."""
        if os.name == "nt":
            return
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def write_over(path: Path, old: bytes, new: bytes, when: datetime, disk: Disk | None = None) -> Path:
    """Write `new` over the file at `path`, which must still hold `old`; the backup's path. Raises FileFaults, and then
    the file is as it was."""
    disk = disk or Disk()
    made: str | None = None
    backup: Path | None = None
    try:
        target = path.resolve(strict=True)
        if disk.read(target) != old:
            raise FileFaults([Fault(str(path), 0, "it has been changed meanwhile; nothing was written")])
        mode = disk.mode(target)
        handle, made = disk.temporary(target)
        _fill(disk, handle, new, mode)
        if disk.read(Path(made)) != new:
            raise OSError(errno.EIO, "what was written does not read the same")
        backup = _backup(disk, target, old, mode, when)
        disk.sync_folder(target.parent)
        disk.replace(made, target)
    except OSError as error:
        for left in (made, None if backup is None else str(backup)):
            if left is not None:
                with suppress(OSError):
                    os.unlink(left)
        says = f"cannot be written over, and is as it was: {error.strerror or error}"
        raise FileFaults([Fault(str(path), 0, says)]) from error
    with suppress(OSError):
        # The setlist has its new text; where the folder cannot be synced, a power cut may bring back the old one.
        disk.sync_folder(target.parent)
    return backup


def _fill(disk: Disk, handle: int, raw: bytes, mode: int) -> None:
    """Write, permit, sync and close an open file."""
    try:
        done = 0
        while done < len(raw):
            done += disk.write(handle, raw[done:])
        disk.permit(handle, mode)
        disk.sync(handle)
    finally:
        disk.close(handle)


def _backup(disk: Disk, target: Path, old: bytes, mode: int, when: datetime) -> Path:
    """The old text in a file of a free name: `setlist.yaml.2026-11-25T19-30-00.old`."""
    stamp = f"{when:%Y-%m-%dT%H-%M-%S}"
    for number in range(1, BACKUPS_MAX + 1):
        extra = "" if number == 1 else f"-{number}"
        path = target.with_name(f"{target.name}.{stamp}{extra}.old")
        try:
            handle = disk.exclusive(path)
        except FileExistsError:
            continue
        try:
            _fill(disk, handle, old, mode)
        except OSError:
            with suppress(OSError):
                path.unlink()
            raise
        return path
    raise FileExistsError(errno.EEXIST, f"there are {BACKUPS_MAX} backups of this second already")
