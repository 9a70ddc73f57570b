"""What a service manager hears of the night: that it is ready, where it is, that its loop runs, that it ends.

From sd_notify(3) and sd_watchdog_enabled(3): lines `NAME=value` in one datagram to the socket that is named in the
environment; a name that begins with `@` is an abstract one. Where a watchdog is set, `WATCHDOG=1` has to come again and
again. It comes from the loop that presses go through, twice as often as is asked for, so a loop that stands still is
noticed. Without a service manager nothing is said, and nothing runs. Nothing here ever blocks or raises: what could not
be said yet is said with the next beat.
"""

from __future__ import annotations

import asyncio
import os
import socket
from collections.abc import Callable, Coroutine, Mapping, Sequence
from contextlib import suppress
from typing import Any, Final

STATUS_S: Final = 5.0
"""How often it is looked whether there is something new to say where no watchdog is set, s."""

STATUS_MAX: Final = 200
"""Characters of a status; more are cut off."""


class Notify:
    """The service manager's ear. `status`: where the night is, in one line."""

    def __init__(self, status: Callable[[], str], environ: Mapping[str, str] = os.environ) -> None:
        self._status = status
        self._said: dict[str, str] = {}
        self._waits: dict[str, str] = {}
        self._to = _address(environ.get("NOTIFY_SOCKET", ""))
        self._watchdog_s = _watchdog_s(environ)
        self._socket: socket.socket | None = None
        if self._to is not None:
            with suppress(OSError):
                self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
                self._socket.setblocking(False)

    @property
    def chores(self) -> Sequence[tuple[str, Callable[[], Coroutine[Any, Any, None]]]]:
        """What has to be kept going, with its name: nothing where no service manager wants to be told."""
        return () if self._socket is None else (("telling the service manager", self.forever),)

    @property
    def every_s(self) -> float:
        """From one beat to the next, s."""
        return STATUS_S if self._watchdog_s is None else self._watchdog_s / 2

    def ready(self) -> None:
        """The night is ready."""
        self._waits["READY"] = "1"
        self.beat()

    async def forever(self) -> None:
        """Beat for as long as the loop runs."""
        while True:
            self.beat()
            await asyncio.sleep(self.every_s)

    def beat(self) -> None:
        """The loop runs. What is new is said along with it."""
        status = self._status().replace("\n", " ")[:STATUS_MAX]
        if self._said.get("STATUS") != status:
            self._waits["STATUS"] = status
        if self._watchdog_s is not None:
            self._waits["WATCHDOG"] = "1"
        self._say()

    def close(self) -> None:
        """The night ends."""
        self._waits = {"STOPPING": "1"}
        self._say()
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _say(self) -> None:
        if self._socket is None or self._to is None or not self._waits:
            return
        lines = "\n".join(f"{name}={value}" for name, value in self._waits.items())
        try:
            self._socket.sendto(lines.encode(errors="replace"), self._to)
        except OSError:
            return
        self._said |= self._waits
        self._waits = {}


def _address(named: str) -> str | bytes | None:
    """The socket's address; None where there is none, or one of a kind that is not spoken here."""
    if not hasattr(socket, "AF_UNIX"):
        return None
    if named.startswith("@"):
        return b"\0" + os.fsencode(named[1:])
    return named if named.startswith("/") else None


def _watchdog_s(environ: Mapping[str, str]) -> float | None:
    """After how long without a word the program counts as stopped, s; None where nobody watches, or another process is
    watched: `WATCHDOG_USEC`, and `WATCHDOG_PID` where it is set."""
    said, whose = environ.get("WATCHDOG_USEC", ""), environ.get("WATCHDOG_PID", "")
    if not said.isdecimal() or not int(said) or (whose and whose != str(os.getpid())):
        return None
    return int(said) / 1e6
