"""The sheet as a PDF, and as a file, without ever writing over somebody's work."""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import BinaryIO, Final

from stagectl.errors import StagectlError
from stagectl.sheet.page import MARK
from stagectl.whole import may_write, write_whole

PDF_MARK: Final = b"stagectl sheet "
"""What the identifier in the trailer of a PDF of this program begins with (ISO 32000-1, 14.4)."""

_LOOKED: Final = 4_096
"""Bytes from the beginning of a file, and from that of a PDF's trailer, in which such a mark stands."""

_ENDS: Final = 64
"""Bytes of a PDF's end in which it says where its trailer is."""

_TRAILER_AT: Final = re.compile(rb"startxref\s+(\d{1,18})\s+%%EOF\s*$")
"""How a PDF ends (ISO 32000-1, 7.5.5)."""

HOW: Final = (
    "a PDF needs an extra: `pip install 'stagectl[paper]'`; or write HTML (`-o FILE.html`) and print that from a "
    "browser, which is as good"
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
            if not head.startswith(b"%PDF-"):
                return not head or MARK.encode() in head
            return any(
                b"/ID" in trailer and (PDF_MARK in trailer or PDF_MARK.hex().encode() in trailer.lower())
                for trailer in _trailers(file)
            )
    except OSError:
        return False


def _trailers(file: BinaryIO) -> Iterator[bytes]:
    """Where a PDF's trailer may be: at its end, after a table of its objects; or before a stream of them, which may be
    long, where the end says (ISO 32000-1, 7.5.8)."""
    size = file.seek(0, os.SEEK_END)
    file.seek(max(0, size - _LOOKED))
    end = file.read(_LOOKED)
    yield end
    if (found := _TRAILER_AT.search(end[-_ENDS:])) is not None:
        file.seek(int(found[1]))
        yield file.read(_LOOKED)


def may_keep(path: Path, force: bool) -> None:
    """Whether a sheet may be written there. Raises StagectlError and DeviceError: see `may_write`."""
    may_write(path, "sheet", is_ours, force)


def keep(path: Path, data: bytes, force: bool) -> None:
    """Write a sheet as a whole, or leave what is there as it is. Raises StagectlError and DeviceError: see
    `write_whole`."""
    write_whole(path, data, "sheet", is_ours, force)
