"""The virtual desk on a real port: packets by UDP or virtual MIDI ports, lines out on standard output.

Here is only the clock and the ports; what the desk does with a packet, and what happens to it on the way, is
`stand_in.py`.
"""

from __future__ import annotations

import asyncio
import os
import signal
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from typing import Any, Final

from stagectl.desk.say import Sayer
from stagectl.desk.stand_in import FINE_NS, StandIn
from stagectl.desk.typed import Typed
from stagectl.errors import DeviceError

QUEUE_MAX: Final = 65_536
"""Packets that may wait; what comes on top is lost and counted."""

LINE_MAX: Final = 200
"""Bytes of a line on standard input."""

ENDS_S: Final = 0.5
"""How long the last lines may take to be read, s; then the process ends without them."""

LOST: Final = "lost, more came than could be heard"
UNSAID: Final = "could not be said: the port takes no bytes"


class _Desk:
    """One desk while it runs. Drivers and signals only put something down and wake the loop."""

    def __init__(self, stand_in: StandIn, sayer: Sayer) -> None:
        self.stand_in = stand_in
        self.sayer = sayer
        self.answer: Callable[[bytes, Any], None] = lambda packet, to: None
        self._orders = Typed(stand_in, sayer)
        self._loop = asyncio.get_running_loop()
        self._woken = asyncio.Event()
        self._packets: deque[tuple[bytes, int, Any]] = deque()
        self._typed: deque[str] = deque()
        self._lost = 0
        self._ended = False
        self._last_call = threading.Timer(ENDS_S, os._exit, (0,))
        self._last_call.daemon = True

    def put(self, packet: bytes, at: int, sender: Any = None) -> None:
        """A packet came at a time, monotonic ns. From any thread."""
        if len(self._packets) < QUEUE_MAX:
            self._packets.append((packet, at, sender))
        else:
            self._lost += 1
        self._wake()

    def typed(self, line: str) -> None:
        """A line came on standard input. From any thread."""
        if len(self._typed) < QUEUE_MAX:
            self._typed.append(line)
        self._wake()

    def end(self, *_: object) -> None:
        """A signal asks for the end."""
        if not self._ended:
            self._ended = True
            # Where nobody reads, a write would wait for ever.
            self._last_call.start()
        self._wake()

    def close(self) -> None:
        """The end has come in time."""
        self._last_call.cancel()

    def _wake(self) -> None:
        # The loop may have ended while a driver's thread still called.
        with suppress(RuntimeError):
            self._loop.call_soon_threadsafe(self._woken.set)

    async def run(self, where: str) -> None:
        """Until the end is asked for."""
        _write([self.sayer.ready(where)])
        waiting, until = None, None
        while not self._ended:
            if self.sayer.waiting is not waiting:
                waiting = self.sayer.waiting
                until = None if waiting is None else self._loop.time() + FINE_NS / 1e9
            with suppress(TimeoutError):
                async with asyncio.timeout_at(self._wakes(until)):
                    await self._woken.wait()
            self._woken.clear()
            _write([*self._heard(), *self._answers()])
            if until is not None and self._loop.time() >= until and self.sayer.waiting is waiting:
                _write(self.sayer.coarse())
        _write([*self._heard(), *self.sayer.coarse(), *self.sayer.levels()])

    def _wakes(self, until: float | None) -> float | None:
        """When to wake at the latest, s: the loop's clock is the monotonic clock."""
        due = self.stand_in.due
        return min((at for at in (until, None if due is None else due / 1e9) if at is not None), default=None)

    def _heard(self) -> Iterator[str]:
        """What packets did, those first that came first."""
        for _ in range(len(self._packets)):
            packet, at, sender = self._packets.popleft()
            self.stand_in.hear(packet, sender, at)
        if self._lost:
            self.stand_in.desk.not_understood[LOST] += self._lost
            self._lost = 0
        heard, out = self.stand_in.advance(time.monotonic_ns())
        for packet, happenings in heard:
            yield from self.sayer.happened(happenings, packet)
        for packet, to in out:
            self._say(packet, to)

    def _say(self, packet: bytes, to: Any) -> None:
        try:
            self.answer(packet, to)
        except DeviceError:
            self.stand_in.desk.not_understood[UNSAID] += 1

    def _answers(self) -> Iterator[str]:
        """What was asked for on standard input, and what comes of it."""
        if not self._typed:
            return
        yield from self.sayer.coarse()
        for _ in range(len(self._typed)):
            yield from self._orders.line(self._typed.popleft(), time.monotonic_ns())
        yield from self._heard()


def _write(lines: list[str]) -> None:
    if lines:
        sys.stdout.write("\n".join(lines) + "\n")
        sys.stdout.flush()


def run(desk: StandIn, sayer: Sayer, *, host: str, port: int, name: str | None, api: str) -> None:
    """Run the desk on a virtual MIDI port of that name, or on a UDP port, until SIGTERM or Ctrl-C.

    Raises DeviceError where the port cannot be had, BrokenPipeError where nobody reads any more.
    """
    asyncio.run(_serve(desk, sayer, host, port, name, api))


async def _serve(desk: StandIn, sayer: Sayer, host: str, port: int, name: str | None, api: str) -> None:
    running = _Desk(desk, sayer)
    with ExitStack() as stack:
        stack.callback(running.close)
        stack.enter_context(_signals(running.end))
        if name is None:
            from stagectl.ports.udp import listen

            transport = await listen(host, port, running.put)
            stack.callback(transport.close)
            running.answer = transport.sendto
            at = transport.get_extra_info("sockname")
            where = f"OSC at [{at[0]}]:{at[1]}" if ":" in at[0] else f"OSC at {at[0]}:{at[1]}"
        else:
            from stagectl.ports.midi import open_system

            system = open_system(api)
            stack.callback(system.close)
            stack.callback(system.virtual_in(name, name, running.put).close)
            if desk.desk.profile.answers is not None:
                out = system.virtual_out(name, name)
                stack.callback(out.close)
                running.answer = lambda packet, to: out.send(packet)
            where = f"MIDI port `{name}` on {system.name}"
        threading.Thread(target=_read_lines, args=(running.typed,), daemon=True).start()
        await running.run(where)
        if name is not None and system.name == "jack":
            # Closing a JACK client cancels its thread wherever it is. One that was about to take Python's lock takes it
            # along, and nothing goes on. The server cleans up after a process that is gone.
            os._exit(0)


@contextmanager
def _signals(end: Callable[..., None]) -> Iterator[None]:
    """SIGTERM and Ctrl-C call `end`."""
    before = {number: signal.signal(number, end) for number in (signal.SIGTERM, signal.SIGINT)}
    if hasattr(signal, "SIGTTIN"):
        # In the background of a terminal, reading fails instead of stopping the process.
        before[signal.SIGTTIN] = signal.signal(signal.SIGTTIN, signal.SIG_IGN)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _read_lines(typed: Callable[[str], None]) -> None:
    """Lines of standard input, read below Python's buffers: a thread that waits there keeps no lock at the end."""
    left = b""
    with suppress(OSError, ValueError):
        while data := os.read(sys.stdin.fileno(), 4096):
            *lines, left = (left + data).split(b"\n")
            for line in lines:
                typed(line[:LINE_MAX].decode("utf-8", "replace"))
            left = left[-LINE_MAX:]
