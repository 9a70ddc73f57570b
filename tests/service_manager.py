"""systemd's service manager for users, started by hand in a corner of this machine, as a user without any rights.

The corner has processes, mounts, memory and control groups of its own, so nothing outside can come to harm, and nothing
is left behind. That needs root.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final

from stagectl.journal.claim import RUNNING

ROOT: Final = Path(__file__).resolve().parents[1]
SYSTEMD: Final = "/usr/lib/systemd/systemd"
NOBODY: Final = 65_534
HOMES: Final = Path("/home")
LIMIT_S: Final = 30.0
LOOK_S: Final = 0.2
"""Each look is a process or two: more of them, and they are all that this machine does, s."""

COMPILED: Final = "PYTHONPYCACHEPREFIX"
"""Where Python keeps what it has compiled: whoever plays in there may write nowhere near the program."""

PRIORITIES: Final = 5
"""The user's limit of real-time priorities, where it can be set here."""

INSIDE: Final = "STAGECTL_CORNER"
"""Set to 1 in there."""


def in_a_corner(program: str, arguments: Sequence[str]) -> int:
    """A Python program in namespaces of its own; its exit code. What it starts ends with it."""
    group = Path(tempfile.mkdtemp(prefix="stagectl-cgroups-"))
    subprocess.run(("mount", "-t", "cgroup2", "none", str(group)), check=True)
    own = group / f"stagectl-night-{os.getpid()}"
    try:
        own.mkdir()
        apart = ("unshare", "--mount", "--pid", "--ipc", "--fork", "--kill-child", "--mount-proc")
        enter = f"echo 0 > '{own}/cgroup.procs' && exec unshare --cgroup \"$@\""
        command = (*apart, "sh", "-c", enter, "sh", sys.executable, program, *arguments)
        # In there a shell and a service share the folder of what runs that every user has.
        env = {name: value for name, value in os.environ.items() if name != RUNNING}
        return subprocess.run(command, check=False, env=env | {INSIDE: "1"}).returncode
    finally:
        for folder in sorted(own.rglob("*"), reverse=True):
            with suppress(OSError):
                folder.rmdir()
        with suppress(OSError):
            own.rmdir()
        subprocess.run(("umount", "-l", str(group)), check=False)
        group.rmdir()


def until(what: str, holds: Callable[[], bool]) -> float:
    """Look until something holds. Returns after how long, s. Raises TimeoutError."""
    begun = time.monotonic()
    while not holds():
        if time.monotonic() - begun > LIMIT_S:
            raise TimeoutError(f"not within {LIMIT_S:g} s: {what}")
        time.sleep(LOOK_S)
    return time.monotonic() - begun


class Manager:
    """The service manager, and what a user's shell asks of it."""

    def __init__(self, home: Path) -> None:
        self.home = home
        runtime = home / "run"
        runtime.mkdir(mode=0o700)
        os.chown(home, NOBODY, NOBODY)
        os.chown(runtime, NOBODY, NOBODY)
        kept = ("PATH", "JACK_DEFAULT_SERVER", COMPILED)
        self.environment = {name: os.environ[name] for name in kept if name in os.environ} | {
            "HOME": str(home),
            "XDG_RUNTIME_DIR": str(runtime),
            "LANG": "C.UTF-8",
            "PYTHONPATH": str(ROOT),
        }
        user = ("setpriv", f"--reuid={NOBODY}", f"--regid={NOBODY}", "--clear-groups")
        limited = ("prlimit", f"--rtprio={PRIORITIES}:{PRIORITIES}", "--", *user)
        self.may_go_ahead = subprocess.run((*limited, "true"), capture_output=True, check=False).returncode == 0
        self.user = limited if self.may_go_ahead else user
        self._process = subprocess.Popen(
            (*self.user, SYSTEMD, "--user"),
            env=self.environment,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        until("the service manager answers", lambda: self.asked("show", "--property=Version").returncode == 0)

    def run(self, *command: str) -> subprocess.CompletedProcess[str]:
        """A command of the user's."""
        return subprocess.run(
            (*self.user, *command), env=self.environment, cwd=self.home, capture_output=True, text=True, check=False
        )

    def write(self, name: str, text: str) -> None:
        """A file among the user's units."""
        path = self.home / ".config/systemd/user" / name
        for folder in reversed(path.relative_to(self.home).parents):
            if not (self.home / folder).exists():
                (self.home / folder).mkdir()
                os.chown(self.home / folder, NOBODY, NOBODY)
        path.write_text(text)

    def begin(self, *command: str) -> subprocess.Popen[bytes]:
        """A program of the user's, which goes on."""
        quiet = subprocess.DEVNULL
        return subprocess.Popen(
            (*self.user, *command), env=self.environment, cwd=self.home, stdin=quiet, stdout=quiet, stderr=quiet
        )

    def asked(self, *words: str) -> subprocess.CompletedProcess[str]:
        """`systemctl --user`."""
        return self.run("systemctl", "--user", *words)

    def of(self, unit: str, name: str) -> str:
        """A property of a unit."""
        return self.asked("show", f"--property={name}", "--value", unit).stdout.strip()

    def close(self) -> None:
        """It ends, and with it what it started."""
        self._process.terminate()
        with suppress(subprocess.TimeoutExpired):
            self._process.wait(LIMIT_S)


def opened() -> None:
    """Let a user without rights reach this Python and this program, where they lie in somebody's closed home: only in
    here something else lies over that home, and over all homes, with these in it."""
    needed = [Path(path).resolve() for path in (sys.base_prefix, sys.prefix, ROOT)]
    HOMES.mkdir(exist_ok=True)
    for closed in {HOMES, *(above for path in needed for above in path.parents if not above.stat().st_mode & 0o001)}:
        kept = []
        for path in [path for path in needed if closed in path.parents]:
            kept.append((path, tempfile.mkdtemp(prefix="stagectl-kept-")))
            subprocess.run(("mount", "--bind", str(path), kept[-1][1]), check=True)
        subprocess.run(("mount", "-t", "tmpfs", "-o", "mode=755", "none", str(closed)), check=True)
        for path, beside in kept:
            path.mkdir(parents=True, exist_ok=True)
            subprocess.run(("mount", "--move", beside, str(path)), check=True)
            os.rmdir(beside)


@contextmanager
def a_corner() -> Iterator[Path]:
    """Files of one's own: mounts that nobody else sees, memory that nobody else shares."""
    for command in (
        ("mount", "--make-rprivate", "/"),
        ("mount", "-t", "cgroup2", "none", "/sys/fs/cgroup"),
        ("mount", "-t", "tmpfs", "none", "/dev/shm"),
    ):
        subprocess.run(command, check=True)
    os.chmod("/dev/shm", 0o1777)
    # Where each service's view of the files is put together; the service manager of a whole machine makes it.
    subprocess.run(("mount", "-t", "tmpfs", "-o", "mode=755", "none", "/run"), check=True)
    for name in ("unit-root", "mount-rootfs", "system"):
        Path("/run/systemd", name).mkdir(parents=True)
    opened()
    for folder, _, names in os.walk("/sys/fs/cgroup"):
        for path in (folder, *(os.path.join(folder, name) for name in names if name == "cgroup.procs")):
            os.chown(path, NOBODY, NOBODY)
    # Where homes are: in /tmp a service may write wherever it likes.
    folder = tempfile.mkdtemp(prefix="stagectl-service-", dir=HOMES)
    try:
        yield Path(folder)
    finally:
        shutil.rmtree(folder, ignore_errors=True)
