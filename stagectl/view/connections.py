"""One connection of a browser, with bounds: whoever opens it and says nothing, says it slowly, says more than was asked
for, or takes nothing, is let go of.

HTTP itself is uvicorn's and h11's. They bound the size of a request's head; this adds time and number.
"""

from __future__ import annotations

import asyncio
from typing import Any, Final

from uvicorn.config import Config
from uvicorn.protocols.http.h11_impl import H11Protocol
from uvicorn.server import ServerState

CONNECTIONS_MAX: Final = 400
"""Connections at once. One more takes the place of the oldest that has no request under way; where there is none it is
closed at once."""

REQUEST_S: Final = 5.0
"""How long a request may take to come in, head and body, from the connection or the request before it, s."""

STALLED_S: Final = 8.0
"""After so long without taking enough to make room for more, a client is let go of, s."""

SWEEP_S: Final = 0.5
"""How often all connections are looked at, s."""

HEAD_MAX: Final = 8_192
"""Bytes of a request's head."""


class Connection(H11Protocol):
    """A connection. `waits_since`: since when it has owed a whole request, None while it owes none; `stuck_since`:
    since when it has taken too little, None while it takes what it is given. Both in the loop's seconds."""

    refused = 0
    """Connections that found no place, of all."""

    def __init__(
        self,
        config: Config,
        server_state: ServerState,
        app_state: dict[str, Any],
        _loop: asyncio.AbstractEventLoop | None = None,
    ) -> None:
        super().__init__(config, server_state, app_state, _loop)
        self.waits_since: float | None = None
        self.stuck_since: float | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self.waits_since = self.loop.time()
        if len(self.connections) > CONNECTIONS_MAX and not self._make_room():
            Connection.refused += 1
            self.let_go()

    def _make_room(self) -> bool:
        """Let go of the oldest connection that has no request under way, if there is one but this."""
        idle = [one for one in self.connections if isinstance(one, Connection) and one is not self and one.is_idle]
        if not idle:
            return False
        min(idle, key=lambda one: one.waits_since or 0.0).let_go()
        return True

    @property
    def is_idle(self) -> bool:
        """Whether it owes a request."""
        return self.waits_since is not None

    def let_go(self) -> None:
        """Close it at once, whatever it was to be given yet."""
        self.connections.discard(self)
        self.transport.abort()

    def data_received(self, data: bytes) -> None:
        if self.waits_since is None:
            # Its request is whole and is being answered, and no browser sends another one before the answer.
            self.let_go()
            return
        super().data_received(data)
        cycle = self.cycle
        if cycle is not None and not cycle.response_complete and not cycle.more_body:
            self.waits_since = None
            if self.conn.trailing_data[0]:
                self.let_go()

    def on_response_complete(self) -> None:
        self.waits_since = self.loop.time()
        super().on_response_complete()

    def pause_writing(self) -> None:
        super().pause_writing()
        self.stuck_since = self.loop.time()

    def resume_writing(self) -> None:
        super().resume_writing()
        self.stuck_since = None

    def look(self, now: float) -> None:
        """Let go of it where its time is over."""
        if (self.waits_since is not None and now - self.waits_since > REQUEST_S) or (
            self.stuck_since is not None and now - self.stuck_since > STALLED_S
        ):
            self.let_go()
