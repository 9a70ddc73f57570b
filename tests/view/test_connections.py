"""A connection's bounds in time and number, byte by byte, without a socket."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Any

import pytest
from uvicorn.config import Config
from uvicorn.server import ServerState

from stagectl.view.connections import CONNECTIONS_MAX, REQUEST_S, STALLED_S, Connection

REQUEST = b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n"


class Wire(asyncio.Transport):
    """A transport that notes what it is told."""

    def __init__(self) -> None:
        super().__init__()
        self.said = b""
        self.ended = False
        self.protocol: asyncio.Protocol | None = None

    def set_protocol(self, protocol: asyncio.BaseProtocol) -> None:
        assert isinstance(protocol, asyncio.Protocol)
        self.protocol = protocol

    def write(self, data: Any) -> None:
        self.said += bytes(data)

    def abort(self) -> None:
        if not self.ended and self.protocol is not None:
            asyncio.get_running_loop().call_soon(self.protocol.connection_lost, None)
        self.ended = True

    def close(self) -> None:
        self.abort()

    def is_closing(self) -> bool:
        return self.ended

    def pause_reading(self) -> None:
        """Nothing."""

    def resume_reading(self) -> None:
        """Nothing."""

    def get_extra_info(self, name: str, default: Any = None) -> Any:
        return default


class Crowd:
    """Connections of one server, whose clock is set by hand."""

    def __init__(self) -> None:
        self.loop = asyncio.get_running_loop()
        self.answer = asyncio.Event()
        self.config = Config(self._app, log_config=None, lifespan="off", interface="asgi3", ws="none")
        self.config.load()
        self.state = ServerState()

    async def _app(self, scope: Any, receive: Any, send: Any) -> None:
        await self.answer.wait()
        await send({"type": "http.response.start", "status": 204, "headers": []})
        await send({"type": "http.response.body", "body": b""})

    def one(self) -> Connection:
        made = Connection(self.config, self.state, {}, self.loop)
        wire = Wire()
        wire.set_protocol(made)
        made.connection_made(wire)
        return made


def ended(connection: Connection) -> bool:
    assert isinstance(connection.transport, Wire)
    return connection.transport.ended


def played(test: Callable[[Crowd], Any]) -> None:
    async def run() -> None:
        await test(Crowd())

    asyncio.run(run())


@pytest.mark.parametrize(
    "said", [b"", b"GET", REQUEST[:-2], b"POST / HTTP/1.1\r\nHost: a\r\nContent-Length: 9\r\n\r\nhalf"]
)
def test_a_request_has_its_time_however_slowly_it_comes(said: bytes) -> None:
    async def test(crowd: Crowd) -> None:
        one = crowd.one()
        began = one.waits_since
        assert began is not None
        for at in range(len(said)):
            one.data_received(said[at : at + 1])
            one.look(began + REQUEST_S * at / max(1, len(said)))
        assert not ended(one)
        one.look(began + REQUEST_S + 0.001)
        assert ended(one) and one not in crowd.state.connections
        crowd.answer.set()

    played(test)


def test_an_answer_may_take_as_long_as_it_likes_and_then_the_next_request_has_its_time() -> None:
    async def test(crowd: Crowd) -> None:
        one = crowd.one()
        one.data_received(REQUEST)
        one.look(crowd.loop.time() + 1e6)
        assert not ended(one)
        crowd.answer.set()
        while one.is_idle is False:
            await asyncio.sleep(0)
        began = one.waits_since
        assert began is not None
        one.look(began + REQUEST_S - 0.001)
        assert not ended(one)
        one.look(began + REQUEST_S + 0.001)
        assert ended(one)

    played(test)


@pytest.mark.parametrize("more", [b"G", REQUEST, b"\0" * 100_000])
@pytest.mark.parametrize("together", [True, False])
def test_whoever_says_more_before_the_answer_is_let_go_of(more: bytes, together: bool) -> None:
    async def test(crowd: Crowd) -> None:
        one = crowd.one()
        for data in [REQUEST + more] if together else [REQUEST, more]:
            one.data_received(data)
        assert ended(one)
        crowd.answer.set()
        await asyncio.sleep(0)

    played(test)


def test_a_client_that_takes_too_little_for_too_long_is_let_go_of() -> None:
    async def test(crowd: Crowd) -> None:
        one = crowd.one()
        one.data_received(REQUEST)
        one.pause_writing()
        since = one.stuck_since
        assert since is not None
        one.look(since + STALLED_S - 0.001)
        one.resume_writing()
        one.look(since + 1e6)
        assert not ended(one)
        one.pause_writing()
        assert one.stuck_since is not None
        one.look(one.stuck_since + STALLED_S + 0.001)
        assert ended(one)
        crowd.answer.set()

    played(test)


def test_beyond_the_bound_the_oldest_that_owes_a_request_makes_room() -> None:
    async def test(crowd: Crowd) -> None:
        some = [crowd.one() for _ in range(CONNECTIONS_MAX)]
        some[0].data_received(REQUEST)
        for at, one in enumerate(some[1:], 1):
            one.waits_since = float(at)
        late = crowd.one()
        assert [at for at, one in enumerate(some) if ended(one)] == [1]
        assert not ended(late)
        for one in (*some[2:], late):
            one.data_received(REQUEST)
        assert ended(crowd.one())
        assert len(crowd.state.connections) == CONNECTIONS_MAX
        crowd.answer.set()

    played(test)
