"""Where things are: the mappings and demo shows that ship with the program."""

from __future__ import annotations

from pathlib import Path
from typing import Final

PACKAGE: Final = Path(__file__).resolve().parent

DEMO: Final = "nine-songs"
"""The folder of the demo show."""


def shipped(folder: str) -> Path:
    """The folder `mappings` or `setlists` as it was installed, or beside the package in a checkout."""
    installed = PACKAGE / "data" / folder
    return installed if installed.is_dir() else PACKAGE.parent / folder
