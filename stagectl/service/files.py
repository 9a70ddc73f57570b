"""Where the unit lies, and that no other file is written over or taken away for it."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Final

from stagectl.errors import DeviceError, StagectlError, nearest
from stagectl.service.unit import MARK, NAME
from stagectl.whole import write_whole

SUFFIX: Final = ".service"

_NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,63}")
_BEGINS: Final = f"{NAME}-"


def unit_name(name: str) -> str:
    """The unit's file name for what the user calls it: `stagectl.service`, `stagectl-quiet.service` for `quiet`. So it
    never has the name of another program's unit, which would then not be started any more. Raises ValueError."""
    if not _NAME.fullmatch(name):
        raise ValueError(f"`{name}` is no name for a service: 1 to 64 of the letters a to z, digits and `_.-`")
    ours = name == NAME or name.startswith(_BEGINS)
    return (name if ours else f"{_BEGINS}{name}") + SUFFIX


def folder(environ: Mapping[str, str]) -> Path:
    """The folder of a user's own units, which need not exist: systemd.unit(5), "Unit File Load Path". A path that is
    not absolute counts for nothing there (XDG Base Directory Specification). Raises DeviceError where the user has no
    home."""
    given = environ.get("XDG_CONFIG_HOME", "")
    try:
        config = Path(given) if os.path.isabs(given) else Path.home() / ".config"
    except RuntimeError as error:
        raise DeviceError("there is no home folder, and no $XDG_CONFIG_HOME, to write a unit to") from error
    return config / "systemd" / "user"


def is_ours(path: Path) -> bool:
    """Whether a file is a unit that `stagectl service install` wrote."""
    try:
        with path.open("rb") as file:
            return file.read(len(MARK)) == MARK.encode()
    except OSError:
        return False


def make_nights(folder: Path) -> None:
    """Make the folder of the nights, where there is none: a service that begins without it can write nothing into it
    later (systemd.exec(5), `ReadWritePaths`). Raises DeviceError where that cannot be, or nothing can be written there.
    """
    at = f"{folder}, where the nights are kept,"
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise DeviceError(f"{at} cannot be made: {error.strerror}; $XDG_STATE_HOME names another place") from error
    if not os.access(folder, os.W_OK | os.X_OK):
        raise DeviceError(f"{at} may not be written to; $XDG_STATE_HOME names another place")


def where_nights_are(folder: Path) -> Iterator[Path]:
    """The folders that a service has to write to for the nights in `folder`, an absolute path. That folder and the
    program's own above it may be deleted while a night is played, and are then made anew: so the one that holds these
    two. Where one of the two is a link, what it leads to lies elsewhere, and counts as well."""
    # Links that go round in a circle lead nowhere for `realpath`; `Path.resolve` raises there (Python 3.11).
    own, holds = folder.parent, folder.parent.parent
    yield holds
    reached = [Path(os.path.realpath(holds))]
    for real in (Path(os.path.realpath(own)), Path(os.path.realpath(folder))):
        if not any(real.is_relative_to(one) for one in reached):
            reached.append(real)
            yield real


def refuse_others(path: Path) -> None:
    """Raises StagectlError where a unit would be written over, or in the place of, what is none of ours."""
    # A link, as of a unit that was masked, leads to what somebody else has put there.
    if path.is_symlink():
        raise StagectlError(f"{path} is a link to {os.readlink(path)}, and none of this program's: take it away first")
    if path.exists() and not is_ours(path):
        raise StagectlError(
            f"{path} was not written by `stagectl service install`: give another --name, or take it away"
        )


def write(path: Path, text: str) -> bool:
    """Write the unit as a whole. Returns whether there was one of ours before. Raises StagectlError where there is
    another file, DeviceError where it cannot be written."""
    refuse_others(path)
    was = path.exists()
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise DeviceError(f"{path.parent} cannot be made: {error.strerror}") from error
    write_whole(path, text.encode(), "unit", is_ours, force=False)
    return was


def ours(path: Path) -> None:
    """Raises StagectlError where there is no unit of that name, with the nearest of ours, or where it is not ours."""
    if not path.is_symlink() and not path.exists():
        known = [one.stem for one in installed(path.parent)]
        raise StagectlError(f"there is no {path}{nearest(path.stem, known)}")
    refuse_others(path)


def take_away(path: Path) -> None:
    """Delete the unit, and the link that has it started with the user's session. Raises DeviceError."""
    link = path.parent / "default.target.wants" / path.name
    try:
        if link.is_symlink():
            link.unlink()
        path.unlink()
    except OSError as error:
        raise DeviceError(f"{path} cannot be deleted: {error.strerror}") from error


def installed(where: Path) -> list[Path]:
    """The units of ours in a folder."""
    return sorted(path for path in where.glob(f"{NAME}*{SUFFIX}") if is_ours(path))
