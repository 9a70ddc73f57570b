"""The sheet as a PDF, and as a file, without ever writing over somebody's work."""

from __future__ import annotations

import hashlib
import os
import tempfile
from collections.abc import Iterable
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import Final

from stagectl.errors import DeviceError, StagectlError
from stagectl.sheet.page import MARK

PDF_MARK: Final = b"stagectl sheet "
"""What the identifier in the trailer of a PDF of this program begins with (ISO 32000-1, 14.4)."""

_LOOKED: Final = 4_096
"""Bytes from the beginning and from the end of a file in which such a mark stands."""

HOW: Final = (
    "a PDF needs an extra: `pip install -e '.[paper]'`; or write HTML (`-o FILE.html`) and print that from a browser, "
    "which is as good"
)


def dated(files: Iterable[str], zone: tzinfo | None = None) -> str:
    """Of when the newest of some files is: `files of 2026-11-26 13:30`. `zone`: that of this machine where left out."""
    newest = max((Path(path).stat().st_mtime for path in files if Path(path).exists()), default=None)
    if newest is None:
        return "files of an unknown date"
    return f"files of {datetime.fromtimestamp(newest, UTC).astimezone(zone):%Y-%m-%d %H:%M}"


def pdf(page: str) -> bytes:
    """A page as a PDF, with its structure for screen readers: the same bytes for the same page.

    Raises StagectlError where that cannot be made here.
    """
    try:
        from weasyprint import HTML
        from weasyprint.urls import URLFetcher
    except ImportError as error:
        raise StagectlError(HOW) from error
    except OSError as error:
        # Its own libraries are missing: Pango and what that needs.
        raise StagectlError(f"{HOW} ({error})") from error

    class Nothing(URLFetcher):  # type: ignore[misc]
        """A page holds everything that it needs; nothing is fetched."""

        def fetch(self, url: str, headers: object = None) -> object:
            raise ValueError(f"a sheet needs nothing from elsewhere, and asks for {url}")

    mark = PDF_MARK + hashlib.sha256(page.encode("utf-8", "replace")).hexdigest()[:16].encode()
    made = HTML(string=page, url_fetcher=Nothing()).write_pdf(pdf_identifier=mark, pdf_tags=True)
    assert isinstance(made, bytes)
    return made


def is_ours(path: Path) -> bool:
    """Whether a file is a sheet that this program wrote, or an empty one."""
    try:
        with path.open("rb") as file:
            head = file.read(_LOOKED)
            file.seek(max(0, path.stat().st_size - _LOOKED))
            tail = file.read(_LOOKED)
    except OSError:
        return False
    if head.startswith(b"%PDF-"):
        return b"/ID" in tail and (PDF_MARK in tail or PDF_MARK.hex().encode() in tail.lower())
    return not head or MARK.encode() in head


def keep(path: Path, data: bytes, force: bool) -> None:
    """Write a file as a whole, or leave what is there as it is.

    Raises StagectlError where something else stands there and `force` is not given, and where it is a folder;
    DeviceError where it cannot be written.
    """
    if path.is_dir():
        raise StagectlError(f"{path} is a folder: name a file in it")
    if path.exists() and not force and not (path.is_file() and is_ours(path)):
        raise StagectlError(f"{path} is there already and is no sheet of this program: --force writes over it")
    try:
        # A device or a pipe takes it as it is; a file, or what a link leads to, is replaced by a whole new one.
        if path.exists() and not path.is_file():
            path.write_bytes(data)
        else:
            _replace(path.resolve(), data)
    except OSError as error:
        raise DeviceError(f"{path} cannot be written: {error.strerror}") from error


def _replace(path: Path, data: bytes) -> None:
    mode = path.stat().st_mode & 0o777 if path.exists() else 0o666 & ~_umask()
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


def _umask() -> int:
    mask = os.umask(0o077)
    os.umask(mask)
    return mask
