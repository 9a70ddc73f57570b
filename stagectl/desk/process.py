"""The virtual desk on a real port: packets in by UDP or a virtual MIDI port, lines out on standard output."""

from __future__ import annotations

import asyncio
import os
import signal
import sys
import threading
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from typing import Any, Final

from stagectl.desk.meaning import Asked
from stagectl.desk.say import Sayer
from stagectl.desk.virtual import VirtualDesk
from stagectl.errors import WireError

QUEUE_MAX: Final = 65_536
"""Packets that may wait; what comes on top is lost and counted."""

LINE_MAX: Final = 200
"""Bytes of a line on standard input."""

ENDS_S: Final = 0.5
"""How long the last lines may take to be read, s; then the process ends without them."""

FINE_S: Final = 0.05
"""How long the coarse part of a value waits for its fine part before it is said alone, s."""

LOST: Final = "lost, more came than could be heard"


class _Desk:
    """One desk while it runs. Drivers and signals only put something down and wake the loop."""

    def __init__(self, desk: VirtualDesk, sayer: Sayer) -> None:
        self.desk = desk
        self.sayer = sayer
        self.answer: Callable[[bytes, Any], None] = lambda packet, to: None
        self._loop = asyncio.get_running_loop()
        self._woken = asyncio.Event()
        self._packets: deque[tuple[bytes, Any]] = deque()
        self._typed: deque[str] = deque()
        self._lost = 0
        self._ended = False
        self._last_call = threading.Timer(ENDS_S, os._exit, (0,))
        self._last_call.daemon = True

    def put(self, packet: bytes, at: int, sender: Any = None) -> None:
        """A packet came. From any thread."""
        if len(self._packets) < QUEUE_MAX:
            self._packets.append((packet, sender))
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
                until = None if waiting is None else self._loop.time() + FINE_S
            with suppress(TimeoutError):
                async with asyncio.timeout_at(until):
                    await self._woken.wait()
            self._woken.clear()
            _write([*self._heard(), *self._answers()])
            if until is not None and self._loop.time() >= until and self.sayer.waiting is waiting:
                _write(self.sayer.coarse())
        _write([*self._heard(), *self.sayer.coarse(), *self.sayer.levels()])

    def _heard(self) -> Iterator[str]:
        for _ in range(len(self._packets)):
            packet, sender = self._packets.popleft()
            happenings = list(self.desk.happenings(packet))
            yield from self.sayer.happened(happenings, packet)
            for one in happenings:
                if isinstance(one, Asked):
                    for answer in self.desk.say(one.spot):
                        self.answer(answer, sender)
        if self._lost:
            self.desk.not_understood[LOST] += self._lost
            self._lost = 0

    def _answers(self) -> Iterator[str]:
        """What was asked for on standard input."""
        if self._typed:
            yield from self.sayer.coarse()
        for _ in range(len(self._typed)):
            match self._typed.popleft().split():
                case ["levels"]:
                    yield from self.sayer.levels()
                case ["store", number] if number.isascii() and number.isdigit() and len(number) < 6:
                    try:
                        self.desk.store(int(number))
                    except WireError as error:
                        yield from self.sayer.note(str(error))
                    else:
                        yield from self.sayer.note(f"scene {int(number)} is stored", scene=int(number))
                case []:
                    pass
                case _:
                    yield from self.sayer.note("say `levels` or `store NUMBER`")


def _write(lines: list[str]) -> None:
    if lines:
        sys.stdout.write("\n".join(lines) + "\n")
        sys.stdout.flush()


def run(desk: VirtualDesk, sayer: Sayer, *, host: str, port: int, name: str | None, api: str) -> None:
    """Run the desk on a virtual MIDI port of that name, or on a UDP port, until SIGTERM or Ctrl-C.

    Raises DeviceError where the port cannot be had, BrokenPipeError where nobody reads any more.
    """
    asyncio.run(_serve(desk, sayer, host, port, name, api))


async def _serve(desk: VirtualDesk, sayer: Sayer, host: str, port: int, name: str | None, api: str) -> None:
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
            where = f"MIDI port `{name}` on {system.name}"
        threading.Thread(target=_read_lines, args=(running.typed,), daemon=True).start()
        await running.run(where)


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
