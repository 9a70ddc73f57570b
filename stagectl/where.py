"""Where things are: the mappings and demo shows that ship with the program."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Final

PACKAGE: Final = Path(__file__).resolve().parent

SETLISTS: Final = "setlists"
"""The folder of the demo shows."""


def shipped(folder: str) -> Path:
    """The folder `mappings` or `setlists` as it was installed, or beside the package in a checkout."""
    installed = PACKAGE / "data" / folder
    return installed if installed.is_dir() else PACKAGE.parent / folder


def demos() -> list[str]:
    """The names of the demo shows."""
    return sorted(path.parent.name for path in shipped(SETLISTS).glob("*/setlist.yaml"))


def show_at(named: Path) -> Path:
    """Where a show is: at the path that was named. Where there is nothing at all, the name of a demo show means the one
    that ships with the program, as `nine-songs` or, as in a checkout, `setlists/nine-songs`; so whoever has only the
    installed program has the demo in every folder."""
    name = named.name
    if os.path.lexists(named) or named not in (Path(name), Path(SETLISTS, name)) or name not in demos():
        return named
    return shipped(SETLISTS) / name


def is_installed(path: Path) -> bool:
    """Whether a file lies within the installed program, where the next version of it is written over."""
    return path.resolve().is_relative_to(PACKAGE)
