"""Who plays: one process for a journal, and one for a desk.

A claim is a locked file in the folder for what runs. The operating system lets go of the lock when its process ends,
however it ends, so nothing that was left behind ever keeps a night from being played.
"""

from __future__ import annotations

import errno
import hashlib
import os
import sys
import tempfile
from contextlib import suppress
from pathlib import Path
from typing import Final

from stagectl.errors import StagectlError

_FLAGS: Final = getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_BINARY", 0)

_PLACE: Final = 2**40
"""The byte that is locked, where a system locks bytes: behind everything that anybody writes."""


class ClaimedError(StagectlError):
    """Another process has it. `holder`: its process id, None where it did not say."""

    def __init__(self, holder: int | None) -> None:
        self.holder = holder
        super().__init__("another process" if holder is None else f"process {holder}")


def running() -> Path:
    """The user's own folder of what runs, which need not exist: where it can be, one that the system keeps in memory.
    It is the same for a shell, a service and whatever else the user starts."""
    memory = Path("/dev/shm")
    folder = memory if memory.is_dir() else Path(tempfile.gettempdir())
    return folder / f"stagectl-{_user()}"


def _user() -> str:
    return str(os.getuid()) if hasattr(os, "getuid") else os.environ.get("USERNAME", "user")


def name_of(kind: str, what: str) -> str:
    """The name of the file that stands for something: `what` may be as long as it likes."""
    return f"{hashlib.sha256(what.encode(errors='surrogateescape')).hexdigest()[:24]}.{kind}"


HEAD: Final = 12
"""Bytes of the first line, which is the process id: always as many, so that it can be signed over what stands behind
it."""


class Claim:
    """A file that this process has, open for writing, and signed."""

    def __init__(self, path: Path) -> None:
        """Raises ClaimedError where another process has it, OSError where there can be no such file."""
        self.path = path
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        if hasattr(os, "getuid") and path.parent.stat().st_uid != os.getuid():
            raise PermissionError(errno.EPERM, f"{path.parent} belongs to somebody else")
        while True:
            self.file = os.open(path, os.O_RDWR | os.O_CREAT | _FLAGS, 0o600)
            try:
                if not _lock(self.file):
                    raise ClaimedError(_holder(self.file))
                if _is(path, self.file):
                    os.lseek(self.file, 0, os.SEEK_SET)
                    os.write(self.file, f"{os.getpid():>{HEAD - 1}}\n".encode())
                    return
            except BaseException:
                os.close(self.file)
                raise
            # Its last holder took the file away between the two.
            os.close(self.file)

    def give_up(self) -> None:
        """Let go of it, and take the file away."""
        with suppress(OSError):
            self.path.unlink()
        os.close(self.file)


def holder_of(path: Path) -> int | None:
    """The process that has a file claimed; None where nobody has, or it does not say."""
    try:
        file = os.open(path, os.O_RDWR | _FLAGS)
    except OSError:
        return None
    try:
        return None if _lock(file) else _holder(file)
    finally:
        os.close(file)


def _holder(file: int) -> int | None:
    os.lseek(file, 0, os.SEEK_SET)
    first = os.read(file, HEAD).strip()
    return int(first) if first.isdigit() else None


def _is(path: Path, file: int) -> bool:
    """Whether a file that was opened is still the one of that name."""
    try:
        named, opened = path.stat(), os.fstat(file)
    except OSError:
        return False
    return (named.st_dev, named.st_ino) == (opened.st_dev, opened.st_ino)


if sys.platform == "win32":
    import msvcrt

    def _lock(file: int) -> bool:
        os.lseek(file, _PLACE, os.SEEK_SET)
        try:
            msvcrt.locking(file, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True

else:
    import fcntl

    def _lock(file: int) -> bool:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            return False
        return True
