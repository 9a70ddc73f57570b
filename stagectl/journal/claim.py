"""Who plays: one process for a journal, and one for a desk.

A claim is a locked file in the folder for what runs. The operating system lets go of the lock when its process ends,
however it ends, so nothing that was left behind ever keeps a night from being played. Whoever only looks locks it too,
for a moment and beside others who look; so a lock is believed when it has lasted.
"""

from __future__ import annotations

import errno
import hashlib
import os
import stat
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final

from stagectl.errors import StagectlError

_FLAGS: Final = getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_BINARY", 0)

_PLACE: Final = 2**40
"""The byte that is locked, where a system locks bytes: behind everything that anybody writes."""

LOOKS_S: Final = 0.2
"""How long somebody who only looks, or takes away what nobody has, may keep a file locked, s."""

READS_S: Final = 2.0
"""How long somebody who reads a file in memory may keep it from being claimed, s."""

_AGAIN_S: Final = 0.005
"""From one try to the next, s."""


class ClaimedError(StagectlError):
    """Another process has it. `holder`: its process id, None where it did not say."""

    def __init__(self, holder: int | None) -> None:
        self.holder = holder
        super().__init__("another process" if holder is None else f"process {holder}")


RUNNING: Final = "STAGECTL_RUNNING"
"""The variable that names another folder of what runs, for whoever tests beside the user's own nights."""


def running() -> Path:
    """The user's own folder of what runs, which need not exist: where it can be, one that the system keeps in memory.
    It is the same for a shell, a service and whatever else the user starts."""
    if given := os.environ.get(RUNNING):
        return Path(given)
    memory = Path("/dev/shm")
    folder = memory if memory.is_dir() else Path(tempfile.gettempdir())
    return folder / f"stagectl-{_user()}"


def make_own(folder: Path) -> None:
    """Make a folder that only this user can look into, where it is not there. Raises OSError; PermissionError where
    somebody else has made it."""
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    if hasattr(os, "getuid") and folder.stat().st_uid != os.getuid():
        raise PermissionError(errno.EPERM, f"{folder} belongs to somebody else")


def may_be_own(folder: Path) -> bool:
    """Whether a folder is this user's, and nobody else can write into it; or there is none yet. Raises OSError."""
    try:
        about = folder.lstat()
    except FileNotFoundError:
        return True
    if not hasattr(os, "getuid"):
        return stat.S_ISDIR(about.st_mode)
    return stat.S_ISDIR(about.st_mode) and about.st_uid == os.getuid() and not about.st_mode & 0o022


def _user() -> str:
    return str(os.getuid()) if hasattr(os, "getuid") else os.environ.get("USERNAME", "user")


def name_of(kind: str, what: str) -> str:
    """The name of the file that stands for something: `what` may be as long as it likes."""
    return f"{hashlib.sha256(what.encode(errors='surrogatepass')).hexdigest()[:24]}.{kind}"


HEAD: Final = 12
"""Bytes of the first line, which is the process id: always as many, so that it can be signed over what stands behind
it."""


class Claim:
    """A file that this process has, open for writing, and signed."""

    def __init__(self, path: Path) -> None:
        """Raises ClaimedError where another process has it, OSError where there can be no such file. Waits for those
        who only look."""
        self.path = path
        self.file = self._taken()

    def _taken(self, looks_s: float = LOOKS_S, reads_s: float = READS_S) -> int:
        path, begun = self.path, time.monotonic()
        make_own(path.parent)
        while True:
            file = os.open(path, os.O_RDWR | os.O_CREAT | _FLAGS, 0o600)
            try:
                if _lock(file) and _is(path, file):
                    os.lseek(file, 0, os.SEEK_SET)
                    os.write(file, f"{os.getpid():>{HEAD - 1}}\n".encode())
                    return file
                # Its last holder took the file away between the two, or somebody has it, or looks at it.
                waited, only_read = time.monotonic() - begun, _lock(file, shared=True)
                if waited > (reads_s if only_read else looks_s):
                    raise ClaimedError(None if only_read else _holder(file))
            except BaseException:
                os.close(file)
                raise
            os.close(file)
            time.sleep(_AGAIN_S)

    @property
    def gone(self) -> bool:
        """Whether the file was taken away or another has come to its place, so that it is no claim any more."""
        return not _is(self.path, self.file)

    def again(self, *, waits: bool = True) -> None:
        """Claim it anew where it is gone; what is in the old file goes with it. Raises as the making does, and then
        all is as it was. `waits`: for those who only look."""
        if self.gone:
            gone, self.file = self.file, self._taken() if waits else self._taken(0.0, 0.0)
            os.close(gone)

    def give_up(self) -> None:
        """Let go of it, and take the file away."""
        if not self.gone:
            with suppress(OSError):
                self.path.unlink()
        os.close(self.file)


def holder_of(path: Path) -> int | None:
    """The process that has a file claimed; None where nobody has, or it does not say."""
    until = time.monotonic() + LOOKS_S
    while True:
        with looking(path) as file:
            if file is None or _lock(file, shared=True):
                return None
            if time.monotonic() > until:
                return _holder(file)
        time.sleep(_AGAIN_S)


@contextmanager
def looking(path: Path) -> Iterator[int | None]:
    """A file that somebody may have claimed, opened to look at; None where there is none."""
    try:
        file = os.open(path, os.O_RDWR | _FLAGS)
    except OSError:
        yield None
        return
    try:
        yield file
    finally:
        os.close(file)


def nobodys(path: Path, file: int, *, shared: bool = False) -> bool:
    """Whether nobody has the claim, and it is still the file of that name. Then nobody can take it until `file` is
    closed; `shared`: but others may look at the same time."""
    return _lock(file, shared=shared) and _is(path, file)


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

    def _lock(file: int, *, shared: bool = False) -> bool:
        # There is no sharing there: who looks is alone for that moment.
        os.lseek(file, _PLACE, os.SEEK_SET)
        try:
            msvcrt.locking(file, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True

else:
    import fcntl

    def _lock(file: int, *, shared: bool = False) -> bool:
        try:
            fcntl.flock(file, (fcntl.LOCK_SH if shared else fcntl.LOCK_EX) | fcntl.LOCK_NB)
        except OSError:
            return False
        return True
