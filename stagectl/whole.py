"""What a command makes, written to a file as a whole, without ever writing over somebody's work."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable
from pathlib import Path

from stagectl.errors import DeviceError, StagectlError


def write_whole(path: Path, data: bytes, kind: str, is_ours: Callable[[Path], bool], force: bool) -> None:
    """Write a file as a whole, or leave what is there as it is. `kind`: what it is, in one word; `is_ours`: whether a
    file is one that this program wrote, and so may be written over.

    Raises StagectlError where something else stands there and `force` is not given, and where it is a folder;
    DeviceError where it cannot be written.
    """
    if path.is_dir():
        raise StagectlError(f"{path} is a folder: name a file in it")
    if path.exists() and not force and not (path.is_file() and is_ours(path)):
        raise StagectlError(f"{path} is there already and is no {kind} of this program: --force writes over it")
    try:
        # A device or a pipe takes it as it is; a file, or what a link leads to, is replaced by a whole new one.
        if path.exists() and not path.is_file():
            path.write_bytes(data)
        else:
            _replace(path.resolve(), data)
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
