"""Opening files that somebody has named: only what is a regular file. A pipe that nobody writes to would be waited for
without end, and a device may go on for ever."""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path
from typing import BinaryIO, Final

_FLAGS: Final = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_BINARY", 0)
"""With `O_NONBLOCK` a pipe is opened at once (POSIX.1-2024, open); a regular file does not mind."""

KINDS: Final = {
    stat.S_IFIFO: "a named pipe",
    stat.S_IFSOCK: "a socket",
    stat.S_IFCHR: "a device",
    stat.S_IFBLK: "a device",
    stat.S_IFDIR: "a folder",
}
"""What stands where a file should, by the kind of its mode (POSIX.1-2024, sys/stat.h)."""


class NoFileError(OSError):
    """Something that is no regular file stands at a path; `strerror` says what it is."""


def kind_of(mode: int) -> str | None:
    """What a mode is that of, if not of a regular file."""
    return None if stat.S_ISREG(mode) else KINDS.get(stat.S_IFMT(mode), "something else")


def open_regular(path: Path | str) -> BinaryIO:
    """A regular file, open for reading. Raises NoFileError for anything else, OSError where it cannot be opened, and
    ValueError for a name that can be no file's."""
    # Opening a device may do something by itself, so it is asked first; what stands there then may have changed.
    _check(os.stat(path).st_mode, path)
    handle = os.open(path, _FLAGS)
    try:
        _check(os.fstat(handle).st_mode, path)
        return os.fdopen(handle, "rb")
    except BaseException:
        os.close(handle)
        raise


def _check(mode: int, path: Path | str) -> None:
    kind = kind_of(mode)
    if kind is not None:
        raise NoFileError(errno.EINVAL, f"it is {kind}, and no file", str(path))
