"""What comes in on the page's standard input, until the loop takes it: of each board only the last, so that a program
that says more than is served never fills the memory."""

from __future__ import annotations

import asyncio
import os
import threading
from collections.abc import Callable
from contextlib import suppress
from typing import Any, Final

from stagectl.apart.pipes import end_after, parsed
from stagectl.view.lines import BOARDS_MAX, Cutter, Open

LAST_S: Final = 0.3
"""How long clients have to be told that it is over, s."""

OVER: Final = {"gone": "the program has ended"}
"""What counts as said last of all, where nothing was said of it."""


class Inbox:
    """The lines of standard input. `opened`: how to serve, or None where standard input has ended first."""

    def __init__(self, loop: asyncio.AbstractEventLoop) -> None:
        self._loop = loop
        self._lock = threading.Lock()
        self._waiting: dict[str, dict[str, Any]] = {}
        self._take: Callable[[dict[str, Any]], None] | None = None
        self.opened: asyncio.Future[Open | None] = loop.create_future()

    def read(self, file: int = 0) -> None:
        """Read until the file ends; on a thread of its own. The process ends soon after it, whatever else happens."""
        cutter, over = Cutter(), OVER
        with suppress(OSError):
            while data := os.read(file, 65_536):
                for text in cutter.take(data):
                    if (message := parsed(text)) is not None:
                        # Why it is over is not made less of by its end.
                        over = message if "gone" in message else over
                        self._put(message)
        end_after(2 * LAST_S)
        self._put(over)

    def _put(self, message: dict[str, Any]) -> None:
        name = str(message.get("board", "")) if "board" in message else next(iter(message), "")
        with self._lock:
            if name not in self._waiting and len(self._waiting) > BOARDS_MAX + 2:
                return
            woken = bool(self._waiting)
            self._waiting[name] = message
        if not woken:
            with suppress(RuntimeError):
                # The loop may be over.
                self._loop.call_soon_threadsafe(self._give)

    def give_to(self, take: Callable[[dict[str, Any]], None]) -> None:
        """Whoever takes every line after the first."""
        self._take = take
        self._give()

    def _give(self) -> None:
        if self._take is None and self.opened.done():
            # They wait for `give_to`.
            return
        with self._lock:
            waiting, self._waiting = self._waiting, {}
        if self._take is None:
            first = waiting.pop("open", None)
            try:
                self.opened.set_result(None if first is None else _opened(first))
            except TypeError as error:
                self.opened.set_exception(error)
            with self._lock:
                self._waiting = waiting | self._waiting
            return
        for message in waiting.values():
            self._take(message)


def _opened(message: dict[str, Any]) -> Open:
    """How to serve. Raises TypeError where the line does not say it."""
    return Open(**message["open"])
