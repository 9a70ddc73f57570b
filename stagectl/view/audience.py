"""The clients that look at the page, and the boards that they are shown: server-sent events (WHATWG HTML, 9.2).

Of each board only the last is kept, once for all, and a client's queue is the names of those it has not been given yet.
So a client that takes nothing costs no more than one that does; it skips what came meanwhile.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Callable
from itertools import count
from typing import Any, Final, NamedTuple

from stagectl.view.lines import BOARDS_MAX

CLIENTS_MAX: Final = 250
"""Pages that may be open at once."""

CONTROLS_KEPT: Final = 10
"""Places among them that only those who may control can take."""

SOON_S: Final = 0.005
"""How long a board waits for others that come with it, s."""

EACH_S: Final = 0.000_3
"""And how long, at least, lie between two boards for each client that is open, s: 60 ms where there are 200."""

RETRY_MS: Final = 1_000
"""After how long a client that has lost its stream asks for it again, ms."""


def as_event(name: str, is_: dict[str, Any]) -> bytes:
    """An event of the stream: its name, its data in one line, an empty line."""
    data = json.dumps(is_, separators=(",", ":"), allow_nan=False)
    return f"event: {name}\ndata: {data}\n\n".encode()


class Board(NamedTuple):
    """A board as it is: the how-manieth of all that there were, as an event."""

    number: int
    event: bytes


class Client:
    """A page that is open. `you`: what it is told first, of itself. `given`: the number of each board that it was given
    last."""

    def __init__(self, you: dict[str, Any], waiting: dict[str, None]) -> None:
        self.waiting = waiting
        self.given: dict[str, int] = {}
        self.some = asyncio.Event()
        self.first = f"retry: {RETRY_MS}\n".encode() + as_event("you", you)


class Audience:
    """All clients, and the boards as they are."""

    def __init__(self) -> None:
        self.clients: set[Client] = set()
        self.over = False
        self.counted: Callable[[], None] = _nobody
        """Called when somebody has come or gone."""
        self._boards: dict[str, Board] = {}
        self._numbers = count()
        self._new: dict[str, None] = {}
        self._timer: asyncio.TimerHandle | None = None
        self._gave_at = 0.0

    def put(self, board: str, is_: dict[str, Any]) -> None:
        """A board is now this: to be given to everybody soon. One board too many is passed over."""
        if board not in self._boards and len(self._boards) > BOARDS_MAX:
            return
        self._boards[board] = Board(next(self._numbers), as_event(board, is_))
        self._new[board] = None
        if self._timer is None:
            loop = asyncio.get_running_loop()
            at = max(loop.time() + SOON_S, self._gave_at + EACH_S * len(self.clients))
            self._timer = loop.call_at(at, self._give)

    def end(self, why: str) -> None:
        """It is over: the last thing that clients are told."""
        self._boards["gone"] = Board(next(self._numbers), as_event("gone", {"why": why}))
        self._new["gone"] = None
        self.over = True
        self._give()

    def _give(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
        self._timer, self._gave_at = None, asyncio.get_running_loop().time()
        new, self._new = self._new, {}
        for client in self.clients:
            client.waiting |= new
            client.some.set()

    def full(self, control: bool) -> bool:
        """Whether there is no place for one more."""
        return len(self.clients) >= CLIENTS_MAX - (0 if control else CONTROLS_KEPT)

    async def stream(self, you: dict[str, Any]) -> AsyncIterator[bytes]:
        """What one client is given, from its coming to its going."""
        client = Client(you, dict.fromkeys(self._boards))
        self.clients.add(client)
        self.counted()
        try:
            yield client.first
            while True:
                while client.waiting:
                    if events := self._for(client):
                        yield events
                if self.over:
                    return
                client.some.clear()
                await client.some.wait()
        finally:
            self.clients.discard(client)
            self.counted()

    def _for(self, client: Client) -> bytes:
        """The boards that wait for a client. It has already what was about to be given to everybody when it came."""
        names, client.waiting = client.waiting, {}
        boards = {name: self._boards[name] for name in names if self._boards[name].number != client.given.get(name)}
        client.given |= {name: board.number for name, board in boards.items()}
        return b"".join(board.event for board in boards.values())


def _nobody() -> None:
    """Nobody counts."""
