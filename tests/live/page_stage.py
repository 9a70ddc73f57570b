"""A night on real ports for tests of its page: a foot and a desk over OSC."""

from __future__ import annotations

import signal
import socket
from pathlib import Path

from lines import Program
from nights import deaf, quick_copy

LIMIT_S = 20.0
FOOT_ON = b"/foot/on\0\0\0\0,i\0\0\0\0\0"


class Stage:
    """The night, its desk and its foot."""

    def __init__(self, folder: Path) -> None:
        self.desk, self.foot = (socket.socket(socket.AF_INET, socket.SOCK_DGRAM) for _ in range(2))
        self.desk.bind(("127.0.0.1", 0))
        self.desk.settimeout(LIMIT_S)
        self.foot.bind(("127.0.0.1", 0))
        self.to = self.foot.getsockname()[1]
        self.foot.close()
        self.foot = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self.show = deaf(
            quick_copy("three-songs", folder, **{"9000": str(self.desk.getsockname()[1]), "9010": str(self.to)})
        )
        self.journal = folder / "page.night"

    def press(self) -> bytes:
        """A press of the foot; the first bytes that the desk is told."""
        for value in (b"\1", b"\0"):
            self.foot.sendto(FOOT_ON + value, ("127.0.0.1", self.to))
        return self.desk.recv(4096)

    def close(self) -> None:
        self.desk.close()
        self.foot.close()


def address(daemon: Program, name: str) -> str:
    return daemon.until(lambda line: line.startswith(f"{name}: http")).split(": ", 1)[1]


def ended(daemon: Program) -> None:
    daemon.process.send_signal(signal.SIGTERM)
    assert daemon.process.wait(LIMIT_S) == 0
