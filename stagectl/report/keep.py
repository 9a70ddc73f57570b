"""Writing a report to a file, without ever writing over somebody's work."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from stagectl.report.page import MARK
from stagectl.whole import may_write, write_whole

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


def may_keep(path: Path, force: bool) -> None:
    """Whether a report may be written there. Raises StagectlError and DeviceError: see `may_write`."""
    may_write(path, "report", is_ours, force)


def keep(path: Path, text: str, force: bool) -> None:
    """Write a report as a whole, or leave what is there as it is. Raises StagectlError and DeviceError: see
    `write_whole`."""
    write_whole(path, text.encode("utf-8", "replace"), "report", is_ours, force)
