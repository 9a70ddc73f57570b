"""The keys of a night's page, kept while the night is not over: after a crash the page has the same ones, and every
phone that was let in is let in again.

They lie in the folder of what runs (`journal/claim.py`), where nobody else may read them, under the name of the night;
never in the journal, which is copied and sent on. A clean end takes them away, and a new night has new ones.
"""

from __future__ import annotations

import json
import os
import secrets
import stat
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Final, NamedTuple

from stagectl.journal.claim import make_own, name_of, running
from stagectl.journal.spool import which_night

KEY_BYTES: Final = 16
"""Bytes of a key: 128 bits, which nobody guesses."""

NIGHTS_MAX: Final = 16
"""Nights whose keys are kept; those of nights that were broken off before them are taken away."""

SIZE_MAX: Final = 4_096
"""Bytes of a file of keys that are read; a longer one is none of ours."""

_KIND: Final = "keys"
_FLAGS: Final = getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_BINARY", 0) | getattr(os, "O_NOFOLLOW", 0)


class NightKeys(NamedTuple):
    """What has to be known to read the page, and to control from it."""

    read: str
    control: str


def new_keys() -> NightKeys:
    """Keys that nobody knows yet."""
    return NightKeys(new_key(), new_key())


def new_key() -> str:
    """A key that nobody knows yet."""
    return secrets.token_urlsafe(KEY_BYTES)


class KeptKeys:
    """The file of a night's keys. `journal`: the night's, as it is now; where it does not say which night it is of,
    nothing is kept."""

    def __init__(self, journal: Path) -> None:
        night = which_night(journal)
        self.path = None if night is None else running() / name_of(_KIND, f"{night.begun} {night.zero}")

    def keys(self, warn: Callable[[str], None]) -> NightKeys:
        """The keys of this night: those that it had, or new ones, which are kept from now on. `warn`: takes a sentence
        where they cannot be."""
        if self.path is None:
            return new_keys()
        try:
            return _read(self.path)
        except (OSError, ValueError, RecursionError):
            made = new_keys()
        try:
            _write(self.path, made)
        except OSError as error:
            why = error.strerror or type(error).__name__
            warn(f"the page's keys cannot be kept in {self.path.parent} ({why}): after a crash they are other ones")
        return made

    def forget(self) -> None:
        """The night is over."""
        if self.path is not None:
            with suppress(OSError):
                self.path.unlink()


def _read(path: Path) -> NightKeys:
    """Raises OSError where there are none, and ValueError where somebody else may have read or written them."""
    file = os.open(path, os.O_RDONLY | _FLAGS)
    try:
        about = os.fstat(file)
        if not stat.S_ISREG(about.st_mode):
            raise ValueError("no file")
        if hasattr(os, "getuid") and (about.st_uid != os.getuid() or about.st_mode & 0o077):
            raise ValueError("not for us alone")
        kept = json.loads(os.read(file, SIZE_MAX))
    finally:
        os.close(file)
    match kept:
        case {"read": str() as read, "control": str() as control} if read and control and read != control:
            return NightKeys(read, control)
    raise ValueError("no keys")


def _write(path: Path, keys: NightKeys) -> None:
    """Keep keys; whole, or not at all. Raises OSError."""
    folder = path.parent
    make_own(folder)
    made = path.with_suffix(".new")
    with suppress(FileNotFoundError):
        made.unlink()
    file = os.open(made, os.O_WRONLY | os.O_CREAT | os.O_EXCL | _FLAGS, 0o600)
    try:
        os.write(file, json.dumps(keys._asdict()).encode())
    finally:
        os.close(file)
    made.replace(path)
    with suppress(OSError):
        for old in sorted(folder.glob(f"*.{_KIND}"), key=lambda one: one.lstat().st_mtime_ns)[:-NIGHTS_MAX]:
            old.unlink()
