"""Writing the files of a backup into a new folder: all of them, or nothing.

They are written into a folder beside it, which gets its name when the disk has every file of it.
"""

from __future__ import annotations

import hashlib
import os
from contextlib import suppress
from pathlib import Path
from typing import Final

from stagectl.archive.check import BROKEN, Backup, chunks
from stagectl.archive.disk import Disk
from stagectl.archive.manifest import Packed
from stagectl.errors import DeviceError, Fault, FileFaults
from stagectl.journal.causes import cause

KEPT: Final = "nothing that is there is written over"


def unpack(backup: Backup, name: str, folder: Path, disk: Disk | None = None) -> None:
    """Write the files of a backup that was checked into `folder`, which is new or empty. `name`: what the backup is
    called. Raises FileFaults where the folder is neither, or the backup changes meanwhile; DeviceError where it cannot
    be written. Then there is nothing new."""
    folder = Path(os.path.abspath(folder))
    fault = folder_fault(folder)
    if fault is not None:
        raise FileFaults([Fault(str(folder), 0, fault)])
    disk = disk or Disk()
    made: Path | None = None
    try:
        made = disk.begin_folder(folder)
        for file in backup.manifest.files:
            _write(backup, file, made, disk)
        _check_within(made, folder)
        disk.put_folder(made, folder)
    except BROKEN as error:
        _clear(disk, made)
        raise FileFaults([Fault(name, 0, f"it was changed while it was read: {error}")]) from error
    except OSError as error:
        _clear(disk, made)
        raise DeviceError(f"{folder} cannot be written: {cause(error)}") from error
    except BaseException:
        _clear(disk, made)
        raise


def folder_fault(folder: Path) -> str | None:
    """Why a folder cannot be restored into, or None."""
    if not folder.parent.is_dir():
        return f"there is no folder {folder.parent} to make it in"
    if folder.is_symlink():
        return f"it is a link to somewhere else, and {KEPT}"
    if folder.exists() and not folder.is_dir():
        return f"it is a file, and {KEPT}"
    if folder.is_dir():
        if any(folder.iterdir()):
            return f"it is not empty, and {KEPT}; name a new folder"
        with suppress(OSError):
            if folder.samefile(Path.cwd()):
                return "it is the folder that you are in; name a new one"
    return None


def _write(backup: Backup, packed: Packed, made: Path, disk: Disk) -> None:
    path = made.joinpath(*packed.path.split("/"))
    disk.make_folder(path.parent)
    digest = hashlib.sha256()
    file = disk.begin(path)
    try:
        for chunk in chunks(backup, packed.path):
            digest.update(chunk)
            file.write(chunk)
        if digest.hexdigest() != packed.sha256:
            raise ValueError(f"`{packed.path}` is not what it was")
        disk.finish(file)
    except BaseException:
        with suppress(OSError):
            file.close()
        raise
    with suppress(OSError, OverflowError):
        os.utime(path, (packed.when.timestamp(),) * 2)


def _check_within(made: Path, folder: Path) -> None:
    """Every file lies where it was to: whatever a name does on this system, nothing has left the folder."""
    root = made.resolve()
    if not all(path.resolve().is_relative_to(root) and not path.is_symlink() for path in made.rglob("*")):
        raise OSError(0, f"a file would lie outside of {folder}")


def _clear(disk: Disk, made: Path | None) -> None:
    if made is not None:
        disk.clear(made)
