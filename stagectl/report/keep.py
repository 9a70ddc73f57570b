"""Writing a report to a file, without ever writing over somebody's work."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path
from typing import Final

from stagectl.errors import DeviceError, StagectlError
from stagectl.report.page import MARK

_JSON: Final = '{"kind": "report"'
_LOOKED: Final = 300
"""Bytes from the beginning of a file in which the mark of a report stands."""


def is_ours(path: Path) -> bool:
    """Whether a file is a report that this program wrote, or an empty one."""
    try:
        with path.open("rb") as file:
            head = file.read(_LOOKED).decode("utf-8", "replace")
    except OSError:
        return False
    return not head or MARK in head or head.startswith(_JSON)


def keep(path: Path, text: str, force: bool) -> None:
    """Write a file as a whole, or leave what is there as it is.

    Raises StagectlError where something else stands there and `force` is not given, and where it is a folder;
    DeviceError where it cannot be written.
    """
    if path.is_dir():
        raise StagectlError(f"{path} is a folder: name a file in it")
    if path.exists() and not force and not (path.is_file() and is_ours(path)):
        raise StagectlError(f"{path} is there already and is no report of this program: --force writes over it")
    try:
        # A device or a pipe takes the text as it is; a file, or what a link leads to, is replaced by a whole new one.
        if path.exists() and not path.is_file():
            path.write_text(text, "utf-8", "replace")
        else:
            _replace(path.resolve(), text)
    except OSError as error:
        raise DeviceError(f"{path} cannot be written: {error.strerror}") from error


def _replace(path: Path, text: str) -> None:
    mode = path.stat().st_mode & 0o777 if path.exists() else 0o666 & ~_umask()
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name[:40]}-", suffix=".part")
    part = Path(name)
    try:
        with os.fdopen(handle, "w", encoding="utf-8", errors="replace", newline="\n") as file:
            file.write(text)
        part.chmod(mode)
        part.replace(path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise


def _umask() -> int:
    mask = os.umask(0o077)
    os.umask(mask)
    return mask
