"""Which paths in a backup are harmless: on every system they name one file inside the folder, and each its own.

Sources: what Windows refuses is from its documentation of file names (devices with any ending, characters, a dot or a
space at the end); that names are compared without case, and composed, is what its file systems and those of macOS do.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Iterator
from typing import Final

from stagectl.archive.bounds import DEPTH_MAX, PART_MAX, PATH_MAX

DEVICES: Final = frozenset(
    ["con", "prn", "aux", "nul", "conin$", "conout$", "clock$"]
    + [f"{port}{number}" for port in ("com", "lpt") for number in "0123456789¹²³"]
)
"""Names that stand for devices on Windows, whatever their ending."""

FORBIDDEN: Final = '<>:"|?*'
"""Characters that no name has on Windows; a colon is that of a drive letter."""


def path_fault(path: str) -> str | None:
    """Why a path may not be written, or None. Parts are parted by `/`."""
    if not path:
        return "it has no name"
    try:
        size = len(path.encode())
    except UnicodeEncodeError:
        return "it is no text"
    if size > PATH_MAX:
        return f"its path has {size:,} bytes, and {PATH_MAX:,} are allowed"
    if any(unicodedata.category(char) == "Cc" for char in path):
        return "its name has control characters"
    if "\\" in path:
        return "its name has a backslash"
    if path.startswith("/"):
        return "it is an absolute path"
    if len(path) > 1 and path[1] == ":" and path[0].isalpha():
        return "it begins with a drive letter"
    parts = path.split("/")
    if len(parts) > DEPTH_MAX:
        return f"it lies {len(parts)} folders deep, and {DEPTH_MAX} are allowed"
    return next((fault for part in parts if (fault := _part_fault(part)) is not None), None)


def _part_fault(part: str) -> str | None:
    if part == "..":
        return "it leaves the folder"
    if part in ("", "."):
        return "a part of its path has no name"
    if len(part.encode()) > PART_MAX:
        return f"a part of its path has {len(part.encode())} bytes, and {PART_MAX} are allowed"
    if (bad := next((char for char in part if char in FORBIDDEN), None)) is not None:
        return f"Windows allows no `{bad}` in a name"
    if part[-1] in ". ":
        return "Windows allows no dot and no space at the end of a name"
    if part.split(".")[0].rstrip(" ").lower() in DEVICES:
        return f"`{part}` is the name of a device on Windows"
    return None


def clashes(paths: Iterable[str]) -> Iterator[tuple[str, str]]:
    """Each path that cannot lie beside others, and why: they are one file where case does not count, or a file lies
    where another one needs a folder."""
    files: dict[str, str] = {}
    folders: dict[str, str] = {}
    for path in paths:
        folded = _folded(path)
        above = ["/".join(folded.split("/")[:depth]) for depth in range(1, folded.count("/") + 1)]
        if folded in files:
            same = files[folded] == path
            yield path, "it is there twice" if same else f"it differs from `{files[folded]}` by case or accents alone"
        elif folded in folders:
            yield path, f"it lies where `{folders[folded]}` needs a folder"
        elif (file := next((one for one in above if one in files), None)) is not None:
            yield path, f"it needs a folder where `{files[file]}` lies"
        files.setdefault(folded, path)
        for one in above:
            folders.setdefault(one, path)


def _folded(path: str) -> str:
    """What a path is to a file system that counts no case and composes accents."""
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", path).casefold())
