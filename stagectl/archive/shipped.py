"""What ships with the program, for copies of one's own: demo shows, mappings of pedals, profiles of desks.

A name stands for one thing, whatever kind it is. A show is copied into a folder that is new or empty, whole or not at
all; a file beside what is there. Nothing is written over.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Final, NamedTuple

from stagectl.archive.disk import Disk
from stagectl.archive.unpack import KEPT, folder_fault
from stagectl.errors import DeviceError, Fault, FileFaults
from stagectl.journal.causes import cause
from stagectl.where import SETLISTS, demos, shipped

SHOW: Final = "demo shows"

FOLDERS: Final = {
    "mappings of pedals": Path("mappings", "pedals"),
    "profiles of desks": Path("mappings", "desks"),
}
"""Kinds of single files, and where they lie."""

LEFT_OUT: Final = ("stems", "__pycache__")
"""Folders of a show that are made from its files."""


class Thing(NamedTuple):
    """One thing that ships. `path`: its file, or the folder of a show. `says`: what its first comment begins with."""

    kind: str
    name: str
    path: Path
    says: str


def things() -> list[Thing]:
    """All that ships, by kind and name."""
    shows = [shipped(SETLISTS) / name for name in demos()]
    found = [Thing(SHOW, path.name, path, _says(path / "setlist.yaml")) for path in shows]
    for kind, folder in FOLDERS.items():
        files = sorted((shipped(folder.parts[0]) / folder.name).glob("*.yaml"))
        found += [Thing(kind, path.stem, path, _says(path)) for path in files]
    return found


def copy(thing: Thing, to: Path | None, disk: Disk | None = None) -> Path:
    """Copy a thing, and return where it is now. `to`: a show's new folder; a file's new name, or a folder that is
    there; by its own name here where left out. Raises FileFaults where something is there already, DeviceError where it
    cannot be written. Then there is nothing new."""
    disk = disk or Disk()
    if thing.kind == SHOW:
        return _copy_show(thing, Path(thing.name) if to is None else to, disk)
    to = Path() if to is None else to
    return _copy_file(thing, to / thing.path.name if to.is_dir() else to, disk)


def _copy_show(thing: Thing, folder: Path, disk: Disk) -> Path:
    at = Path(os.path.abspath(folder))
    fault = folder_fault(at)
    if fault is not None:
        raise FileFaults([Fault(str(folder), 0, fault)])
    made: Path | None = None
    try:
        made = disk.begin_folder(at)
        for path in _files(thing.path):
            new = made / path.relative_to(thing.path)
            disk.make_folder(new.parent)
            _write(path, new, disk)
        disk.put_folder(made, at)
    except BaseException as error:
        if made is not None:
            disk.clear(made)
        if isinstance(error, OSError):
            raise DeviceError(f"{folder} cannot be written: {cause(error)}") from error
        raise
    return folder


def _copy_file(thing: Thing, path: Path, disk: Disk) -> Path:
    fault = _file_fault(path, thing.path.suffix)
    if fault is not None:
        raise FileFaults([Fault(str(path), 0, fault)])
    made = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        _write(thing.path, made, disk)
        disk.put_file(made, path)
    except FileExistsError as error:
        disk.clear(made)
        raise FileFaults([Fault(str(path), 0, f"there is something of that name, and {KEPT}")]) from error
    except OSError as error:
        disk.clear(made)
        raise DeviceError(f"{path} cannot be written: {cause(error)}") from error
    except BaseException:
        disk.clear(made)
        raise
    return path


def _file_fault(path: Path, suffix: str) -> str | None:
    """Why a file cannot be copied to a path, or None."""
    if path.suffix != suffix:
        return f"the name of a mapping or profile ends with `{suffix}`; a folder has to be there already"
    if not path.parent.is_dir():
        return f"there is no folder {path.parent} to copy it into"
    if os.path.lexists(path):
        return f"there is something of that name, and {KEPT}; give it another with `-o`"
    return None


def _files(folder: Path) -> Iterator[Path]:
    """The files of a show, in the order of their names, without what is made from them."""
    for path in sorted(folder.rglob("*")):
        if path.is_file() and not any(part in LEFT_OUT for part in path.relative_to(folder).parts):
            yield path


def _write(path: Path, new: Path, disk: Disk) -> None:
    """A new file with the bytes of another, as new as it is: its mode is that of any new file."""
    file = disk.begin(new)
    try:
        file.write(path.read_bytes())
        disk.finish(file)
    except BaseException:
        with suppress(OSError):
            file.close()
        raise


def _says(path: Path) -> str:
    """What the comment that a file begins with says first: up to the end of a sentence, or a colon."""
    words: list[str] = []
    for line in path.read_text("utf-8").splitlines():
        if not line.startswith("#"):
            break
        words += line.removeprefix("#").split()
    return re.split(r"[.:](?: |$)", " ".join(words), maxsplit=1)[0]
