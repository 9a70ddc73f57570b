"""The page's process: `python -m stagectl.view.process`. Lines come in on standard input and go out on standard output
(`lines.py`).

One loop serves everybody. Standard input and output have a thread each, so that nobody at their other end holds up a
client. It ends when standard input ends, or when it is told that the night is over. It lets others go before it: no
page is worth a late press.
"""

from __future__ import annotations

import asyncio
import errno
import faulthandler
import gc
import os
import signal
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import Any, Final, NoReturn

from uvicorn import Config, Server

from stagectl.apart.pipes import ENDED, Out, own_output
from stagectl.ports.tcp import bound
from stagectl.view.audience import Audience
from stagectl.view.connections import CONNECTIONS_MAX, HEAD_MAX, REQUEST_S, STALLED_S, SWEEP_S, Connection
from stagectl.view.guard import Hosts, Keys
from stagectl.view.inbox import LAST_S, Inbox
from stagectl.view.lines import BOARD_NAME, SILENT_S, Open
from stagectl.view.site import Site

NICE: Final = 5
"""How far the process stands back for others (POSIX: nice)."""

COUNT_S: Final = 0.2
"""How often, at most, the program is told how many clients there are, s."""

OUT_MAX: Final = 64_000
"""Bytes that the system keeps for each client that takes nothing, so that this is soon noticed."""

HANGS_S: Final = 20
"""How long the loop may do nothing before the process is ended, and so begun again, s."""

FAILED, FAULT = 3, 1
"""Exit codes: it cannot be served; a fault of ours. Where standard input has ended, or it is over, it is `ENDED`."""


class _Quiet(Server):
    """A server that leaves the signals alone."""

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield


def listen(host: str, port: int) -> socket.socket:
    """A socket that browsers can come to. `port`: 0 is any. Raises OSError."""
    made = bound(host, port)
    try:
        made.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, OUT_MAX)
        if hasattr(socket, "TCP_USER_TIMEOUT"):
            # A client that vanished without a word is let go of as soon as one that takes nothing (RFC 5482).
            made.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, int(STALLED_S * 1000))
        made.listen(CONNECTIONS_MAX)
        made.setblocking(False)
    except OSError:
        made.close()
        raise
    return made


def config_of(app: Callable[..., Any]) -> Config:
    """How a page is served: whoever is connected is bounded, and nothing is said of the server."""
    return Config(
        app,
        http=Connection,
        ws="none",
        lifespan="off",
        interface="asgi3",
        log_config=None,
        log_level="critical",
        access_log=False,
        proxy_headers=False,
        server_header=False,
        backlog=CONNECTIONS_MAX,
        h11_max_incomplete_event_size=HEAD_MAX,
        timeout_keep_alive=int(REQUEST_S),
    )


def own_names(host: str) -> list[str]:
    """What this machine is called, by itself and by its neighbours (RFC 6762: `.local`), and the host to serve at."""
    name = socket.gethostname()
    short = name.partition(".")[0]
    return [name, short, f"{short}.local", host]


def own_address() -> str | None:
    """This machine's address in its network, in numbers, since phones know no names of others; None where it has none.
    Nothing is sent."""
    for somewhere in ("192.0.2.1", "192.168.255.1", "10.255.255.1", "172.31.255.1", "169.254.255.1"):
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking, suppress(OSError):
            asking.connect((somewhere, 9))
            return str(asking.getsockname()[0])
    return None


def address_of(host: str, port: int) -> str:
    """The address to open. Where it is served at every address of this machine, one that others reach it at
    stands for all."""
    if host in ("0.0.0.0", "::", ""):
        host = own_address() or own_names(host)[2]
    return f"http://{f'[{host}]' if ':' in host else host}:{port}/"


class _Process:
    """The page while it is served."""

    def __init__(self, open_: Open, made: socket.socket, out: Out) -> None:
        port = made.getsockname()[1]
        self.audience = Audience()
        self._out, self._socket = out, made
        self._beat_ns = time.monotonic_ns()
        """When the program's heart last beat."""
        site = Site(
            Keys(read=open_.read_key, control=open_.control_key),
            Hosts(own_names(open_.host)),
            port,
            open_.kind,
            self.audience,
            self._wanted,
            self._silent_s,
        )
        self._server = _Quiet(config_of(site))
        self._counting: asyncio.TimerHandle | None = None
        self._counted_at = 0.0
        self.audience.counted = self._count_soon
        self.over: asyncio.Event = asyncio.Event()

    def _wanted(self, want: dict[str, Any]) -> None:
        self._out.say("want", want=want, at=time.monotonic_ns(), **{"from": "page"})

    def _silent_s(self) -> float | None:
        """For how long the program has been silent, s; None where it is not."""
        since = (time.monotonic_ns() - self._beat_ns) / 1e9
        return since if since > SILENT_S else None

    def _beat(self, at: int) -> None:
        """The program's heart has beaten. Clients hear of it as long as it does; a beat that has waited in its pipe
        says nothing of now."""
        self._beat_ns = max(self._beat_ns, min(at, time.monotonic_ns()))
        if self._silent_s() is None:
            self.audience.put("beat", {"now": time.time_ns() // 1_000_000})

    def take(self, message: dict[str, Any]) -> None:
        """A line of the program's."""
        board, is_, beat = message.get("board"), message.get("is"), message.get("beat")
        if isinstance(beat, int):
            self._beat(beat)
        elif isinstance(board, str) and BOARD_NAME.fullmatch(board) and isinstance(is_, dict):
            # What JSON has no word for, or is nested too deep, is passed over: others wait to be taken after it.
            with suppress(ValueError, RecursionError):
                self.audience.put(board, is_)
        elif "gone" in message:
            self.audience.end(str(message["gone"]))
            self.over.set()

    def _count_soon(self) -> None:
        if self._counting is None:
            loop = asyncio.get_running_loop()
            self._counting = loop.call_at(max(loop.time(), self._counted_at + COUNT_S), self._say_count)

    def _say_count(self) -> None:
        self._counting, self._counted_at = None, asyncio.get_running_loop().time()
        self._out.say("clients", count=len(self.audience.clients))

    async def serve(self) -> None:
        """Serve until it is over."""
        serving = asyncio.ensure_future(self._server.serve(sockets=[self._socket]))
        sweeping = asyncio.ensure_future(self._sweep())
        over = asyncio.ensure_future(self.over.wait())
        await asyncio.wait((serving, sweeping, over), return_when=asyncio.FIRST_COMPLETED)
        if not self.over.is_set():
            raise RuntimeError("the server has ended by itself")
        await asyncio.sleep(LAST_S)

    async def _sweep(self) -> None:
        """Look after clients, again and again."""
        loop = asyncio.get_running_loop()
        while True:
            now = loop.time()
            faulthandler.dump_traceback_later(HANGS_S, exit=True)
            for connection in list(self._server.server_state.connections):
                if isinstance(connection, Connection):
                    connection.look(now)
            await asyncio.sleep(SWEEP_S)


def main() -> NoReturn:
    """Serve the page until standard input ends."""
    # Ctrl-C at a terminal is for the program, which then closes our standard input.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if hasattr(os, "nice"):
        with suppress(OSError):
            os.nice(NICE)
    if hasattr(os, "SCHED_BATCH"):
        # On Linux: when it wakes up it interrupts nobody (sched(7)).
        with suppress(OSError):
            os.sched_setscheduler(0, os.SCHED_BATCH, os.sched_param(0))
    out = Out(own_output())
    code = FAULT
    try:
        code = asyncio.run(_run(out))
    except Exception as error:  # noqa: BLE001 - whatever it is, the program is told, and starts us again
        out.say("failed", text=f"a fault of the page: {type(error).__name__}: {error}")
    out.end()
    os._exit(code)


async def _run(out: Out) -> int:
    inbox = Inbox(asyncio.get_running_loop())
    threading.Thread(target=inbox.read, daemon=True).start()
    open_ = await inbox.opened
    if open_ is None:
        return ENDED
    try:
        made = listen(open_.host, open_.port)
    except OSError as error:
        why = error.strerror or str(error)
        if error.errno == errno.EADDRINUSE:
            why = "another program, or an earlier page that hangs, has that port"
        out.say("failed", text=f"the page cannot be served at {open_.host}:{open_.port}: {why}")
        return FAILED
    process = _Process(open_, made, out)
    inbox.give_to(process.take)
    port = made.getsockname()[1]
    out.say("here", url=address_of(open_.host, port), port=port)
    gc.collect()
    gc.freeze()
    await process.serve()
    return ENDED


if __name__ == "__main__":
    main()
