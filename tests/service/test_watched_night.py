"""`stagectl run` under a supervisor that does what sd_notify(3) and sd_watchdog_enabled(3) say of systemd: it waits for
`READY=1`, and whoever then says nothing for as long as `WATCHDOG_USEC` is killed and started again.

systemd itself does it in `service_night.py`.
"""

from __future__ import annotations

import os
import signal
import socket
import struct
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Final

import pytest

TESTS: Final = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(TESTS / "live")]

from free_ports import free_port  # noqa: E402
from nights import ROOT, quick_copy, told  # noqa: E402

from stagectl.wire.osc import build  # noqa: E402

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(sys.platform != "linux", reason="who sent what is told by Linux, unix(7)"),
]

STARTS_S: Final = 60.0
WATCHDOG_S: Final = 2.0
GOES_ON_S: Final = 5.0

STOPS: Final = """
import pathlib, sys, threading
from stagectl.cli.main import main
from stagectl.live.night import Night
from stagectl.service import ahead

ahead.why_not = lambda: None
handle = Night.handle

def stands(night, *words, **more):
    handle(night, *words, **more)
    stop = pathlib.Path(sys.argv[-1] + ".stop")
    if stop.exists():
        stop.unlink()
        threading.Event().wait()

Night.handle = stands
main()
"""
"""The program, as where a real-time priority is allowed. Its loop stands still for ever in the press after which a file
is found; its other threads go on."""


class Supervisor:
    """Keeps a program, and hears it."""

    def __init__(self, folder: Path, command: Sequence[str]) -> None:
        self._command = command
        self._ear = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._ear.bind(str(folder / "notify"))
        self._ear.setsockopt(socket.SOL_SOCKET, socket.SO_PASSCRED, 1)
        self.begin()

    def begin(self) -> None:
        """Start it, with its own number in the environment."""
        mine = ("sh", "-c", 'export WATCHDOG_PID=$$ && exec "$@"', "sh")
        environment = os.environ | {
            "NOTIFY_SOCKET": self._ear.getsockname(),
            "WATCHDOG_USEC": f"{WATCHDOG_S * 1e6:.0f}",
            "PYTHONPATH": str(ROOT),
        }
        self.process = subprocess.Popen(
            (*mine, *self._command), env=environment, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL
        )

    def hear(self, limit_s: float) -> dict[str, str]:
        """What the program itself says next. Raises TimeoutError."""
        until = time.monotonic() + limit_s
        while True:
            self._ear.settimeout(max(until - time.monotonic(), 1e-6))
            said, others, _, _ = self._ear.recvmsg(4096, socket.CMSG_SPACE(12))
            ((_, _, who),) = others
            # `NotifyAccess=main`: nobody else is heard.
            if struct.unpack("3i", who)[0] == self.process.pid:
                return dict(line.split("=", 1) for line in said.decode().split("\n"))

    def until(self, name: str, value: str, limit_s: float = STARTS_S) -> dict[str, str]:
        """What it says when it says that."""
        end = time.monotonic() + limit_s
        while (said := self.hear(end - time.monotonic())).get(name) != value:
            pass
        return said

    def watch(self) -> float:
        """Hear it for as long as it says that its loop runs; then kill it. Returns for how long it was silent, s.
        Raises TimeoutError where it goes on saying so."""
        begun = heard = time.monotonic()
        while heard < begun + GOES_ON_S:
            try:
                while self.hear(heard + WATCHDOG_S - time.monotonic()).get("WATCHDOG") != "1":
                    pass
                heard = time.monotonic()
            except TimeoutError:
                self.process.kill()
                self.process.wait()
                return time.monotonic() - heard
        raise TimeoutError(f"its loop still runs after {GOES_ON_S:g} s")

    def close(self) -> None:
        self.process.kill()
        self.process.wait()
        self._ear.close()


def policies(pid: int) -> tuple[set[int], set[int]]:
    """By which policies the kernel runs the program's first thread, and its others: proc(5), `stat`, field 41."""
    ways: dict[bool, set[int]] = {True: set(), False: set()}
    for task in Path(f"/proc/{pid}/task").iterdir():
        ways[int(task.name) == pid].add(int((task / "stat").read_text().rpartition(")")[2].split()[38]))
    return ways[True], ways[False]


def may_go_ahead() -> bool:
    """Whether the kernel would let this user."""
    code = "import os; os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(1))"
    return subprocess.run([sys.executable, "-Sc", code], capture_output=True, check=False).returncode == 0


def test_a_loop_that_stands_still_is_noticed_and_the_night_goes_on(tmp_path: Path) -> None:
    foot = free_port()
    show = quick_copy("three-songs", tmp_path, **{"9000": str(free_port()), "9010": str(foot)})
    journal = tmp_path / "watched.night"
    command = (sys.executable, "-c", STOPS, "run", str(show), "--journal", str(journal))
    supervisor = Supervisor(tmp_path, command)

    def press(button: str) -> None:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
            for value in (1, 0):
                sender.sendto(build(f"/foot/{button}", (value,)), ("127.0.0.1", foot))

    def stand_still() -> None:
        Path(f"{journal}.stop").touch()
        press("more")

    stops: dict[str, Callable[[], None]] = {
        "The Ferry Waltz": lambda: os.kill(supervisor.process.pid, signal.SIGSTOP),
        "Seven Gates": stand_still,
    }
    try:
        ready = supervisor.until("READY", "1")
        assert (ready["STATUS"], ready["WATCHDOG"]) == ("base", "1")
        assert policies(supervisor.process.pid) == ({os.SCHED_FIFO} if may_go_ahead() else {0}, {0})
        for place, stop in stops.items():
            press("on")
            assert supervisor.until("STATUS", place)["WATCHDOG"] == "1"
            # It is not for nothing that it is heard: a loop that runs is.
            assert supervisor.hear(WATCHDOG_S) == {"WATCHDOG": "1"}
            stop()
            assert supervisor.process.poll() is None
            assert supervisor.watch() >= WATCHDOG_S
            supervisor.begin()
            assert supervisor.until("READY", "1")["STATUS"] == place
        supervisor.process.send_signal(signal.SIGTERM)
        supervisor.until("STOPPING", "1")
        assert supervisor.process.wait(STARTS_S) == 0
    finally:
        supervisor.close()
    kinds = [one["kind"] for one in told("log", "--journal", str(journal))]
    assert (kinds.count("resumed"), kinds.count("end")) == (2, 1)
