"""From the drivers' threads into the loop: stamped, bounded, in order."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable
from typing import Final

INBOX_MAX: Final = 4_096
"""Messages that wait for the loop; more are dropped and counted. At 1,000 a second that is four seconds."""

FULL: Final = "messages that came faster than they could be taken"
"""How those that were dropped are counted."""


class Inbox:
    """`put` from any thread; `take` is called in the loop with each message: source, bytes, time of arrival, ns.
    `trouble` gets a sentence where it raises."""

    def __init__(
        self,
        loop: asyncio.AbstractEventLoop,
        take: Callable[[int, bytes, int], None],
        trouble: Callable[[str], None],
    ) -> None:
        self._loop = loop
        self._take = take
        self._trouble = trouble
        self._waiting: deque[tuple[int, bytes, int]] = deque()
        self._called = False
        self._closed = False
        self.lost = 0

    def put(self, source: int, packet: bytes, at: int) -> None:
        """Hand over a message."""
        if self._closed:
            return
        if len(self._waiting) >= INBOX_MAX:
            self.lost += 1
            return
        self._waiting.append((source, packet, at))
        if not self._called:
            # At worst two threads both call; the second drain finds nothing.
            self._called = True
            try:
                self._loop.call_soon_threadsafe(self._drain)
            except RuntimeError:
                # The loop has ended: the night is over.
                self._called = False

    def close(self) -> None:
        """Take no more: what waits now, and whatever a driver still has, is nobody's. Called in the loop."""
        self._closed = True
        self._waiting.clear()

    def _drain(self) -> None:
        self._called = False
        for _ in range(len(self._waiting)):
            message = self._waiting.popleft()
            try:
                self._take(*message)
            except Exception as error:  # noqa: BLE001 - what one message meets keeps no other from being heard
                self._trouble(f"a message ({message[1].hex(' ')}) was not understood: {type(error).__name__}: {error}")
