"""What a command makes, written to a file as a whole, without ever writing over somebody's work."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TypeAlias

from stagectl.errors import DeviceError, StagectlError
from stagectl.journal.paths import is_journal

IsOurs: TypeAlias = Callable[[Path], bool]
"""Whether a file is one that this program wrote, and so may be written over."""


def may_write(path: Path, kind: str, is_ours: IsOurs, force: bool) -> None:
    """Whether a file may be written there, asked before what goes into it is made. `kind`: what it is, in one word.

    Raises StagectlError where something else stands there and `force` is not given, and where it is a folder or a
    night, whatever is given; DeviceError where nothing can be written into its folder.
    """
    if path.is_dir():
        raise StagectlError(f"{path} is a folder: name a file in it")
    if path.is_file() and is_journal(path):
        raise StagectlError(f"{path} is the journal of a night, and nothing is written over one: name another file")
    if path.exists() and not force and not (path.is_file() and is_ours(path)):
        raise StagectlError(f"{path} is there already and is no {kind} of this program: --force writes over it")
    if _is_replaced(path):
        with _plainly(path), tempfile.TemporaryFile(dir=path.resolve().parent):
            pass


def write_whole(path: Path, data: bytes, kind: str, is_ours: IsOurs, force: bool) -> None:
    """Write a file as a whole, or leave what is there as it is. Raises as `may_write` does, and DeviceError where it
    cannot be written."""
    may_write(path, kind, is_ours, force)
    with _plainly(path):
        if _is_replaced(path):
            _replace(path.resolve(), data)
        else:
            path.write_bytes(data)


def _is_replaced(path: Path) -> bool:
    """A file, or what a link leads to, is replaced by a whole new one; a device or a pipe takes what comes as it is."""
    return path.is_file() or not path.exists()


@contextmanager
def _plainly(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise DeviceError(f"{path} cannot be written: {error.strerror}") from error


def _replace(path: Path, data: bytes) -> None:
    mode = path.stat().st_mode & 0o777 if path.exists() else 0o666 & ~umask()
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name[:40]}-", suffix=".part")
    part = Path(name)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
        part.chmod(mode)
        part.replace(path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise


def umask() -> int:
    """The mode bits that new files of this process do not get."""
    mask = os.umask(0o077)
    os.umask(mask)
    return mask
