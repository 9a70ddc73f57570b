"""Small files in which Linux says things of itself, below a root that is given."""

from __future__ import annotations

from pathlib import Path
from typing import Final

BYTES_MAX: Final = 64 * 1024
"""Bytes of such a file that are read."""


def read(path: Path) -> str | None:
    """What a file says, without blanks around it; None where there is none, or it cannot be read. A driver may refuse
    to say (ENODEV, EIO)."""
    try:
        with path.open("rb") as file:
            return file.read(BYTES_MAX).decode("utf-8", "replace").strip()
    except OSError:
        return None


def number(path: Path) -> int | None:
    """The whole number that a file says; None where it says none."""
    said = read(path)
    try:
        return None if said is None else int(said)
    except ValueError:
        return None
