"""Learning a desk live: the questions on one side, the ports on the other. Drivers' threads only put messages into a
queue, and a line that was typed closes a move."""

from __future__ import annotations

import asyncio
import os
import queue
import sys
import threading
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import Any, Final, TypeAlias

from stagectl.learn.desk_ask import INTRODUCTION, Asking
from stagectl.learn.desk_hearing import voices_of
from stagectl.learn.desk_moves import Move, Part
from stagectl.learn.listen import QUEUE_MAX, OpenPorts
from stagectl.learn.series import MESSAGES_MAX, Packet
from stagectl.learn.verdict import count
from stagectl.learn.write import counted
from stagectl.ports.midi import Heard, MidiSystem
from stagectl.ports.udp import listen

LOOK_S: Final = 0.05
"""Seconds between two looks at what was typed and heard."""

SETTLE_S: Final = 0.1
"""What comes within so many seconds of Enter was sent before it."""

SHOWN_MAX: Final = 3
"""Voices that are told after a move: those with the most different values."""


Waiting: TypeAlias = tuple[str, int, bytes]
"""A message that belongs to no move yet: its link, its time and its bytes."""


class Typed:
    """The lines of standard input, read by a thread of its own, so that nothing waits for them."""

    def __init__(self) -> None:
        self._lines: queue.Queue[str | None] = queue.Queue()
        threading.Thread(target=self._read, name="read what is typed", daemon=True).start()

    def _read(self) -> None:
        held = b""
        try:
            handle = sys.stdin.fileno()
            while data := os.read(handle, 4_096):
                *whole, held = (held + data).split(b"\n")
                for line in whole:
                    self._lines.put(line.decode(errors="replace").strip())
        except (AttributeError, OSError, ValueError):
            pass
        self._lines.put(None)

    async def line(self) -> str | None:
        """The next line; None at the end of the input."""
        while True:
            try:
                return self._lines.get_nowait()
            except queue.Empty:
                await asyncio.sleep(LOOK_S)


class Session:
    """What was heard, by link, cut into moves. `lost`: messages that came too fast or too many; what was heard for an
    answer that was mistyped is held for the next one."""

    def __init__(self) -> None:
        self.moves: list[Move] = []
        self.lost = 0
        self._heard: dict[str, list[list[Packet]]] = {}
        self._queue: queue.Queue[Waiting] = queue.Queue(QUEUE_MAX)
        self._held: list[Waiting] = []
        self._kept = 0

    def put(self, link: str, packet: bytes, at: int) -> None:
        """A message, from any thread. One without a byte says nothing."""
        if not packet:
            return
        try:
            self._queue.put_nowait((link, at, packet))
        except queue.Full:
            self.lost += 1

    def close(self, move: Move | None, *, hold: bool = False) -> int:
        """What was heard since the last time, and what was held, is this move's. Without a move it is left out, or held
        for the next. Gives the number of messages."""
        waiting = self._held + [self._queue.get_nowait() for _ in range(self._queue.qsize())]
        self._held = []
        if move is None:
            if hold:
                self._held, more = waiting[:MESSAGES_MAX], waiting[MESSAGES_MAX:]
                self.lost += len(more)
            return len(waiting)
        self.moves.append(move)
        for link, at, packet in waiting:
            if self._kept >= MESSAGES_MAX:
                self.lost += 1
                continue
            self._kept += 1
            parts = self._heard.setdefault(link, [])
            parts += [[] for _ in range(len(self.moves) - len(parts))]
            parts[-1].append((at, packet))
        return len(waiting)

    def forget(self) -> None:
        """Forget the last move; what was heard during it waits, before what was heard since."""
        self.moves.pop()
        last = [
            (link, at, packet)
            for link, parts in self._heard.items()
            for packets in parts[len(self.moves) :]
            for at, packet in packets
        ]
        for parts in self._heard.values():
            del parts[len(self.moves) :]
        self._kept -= len(last)
        self._held = sorted(last, key=lambda one: one[1]) + self._held

    def links(self) -> list[tuple[str, list[Part]]]:
        """The links that said anything, with their moves."""
        return [
            (link, [(move, parts[at] if at < len(parts) else []) for at, move in enumerate(self.moves)])
            for link, parts in self._heard.items()
        ]

    def last(self) -> list[str]:
        """What each link said during the last move, a line each."""
        lines = [f"  {link}: {said}" for link, parts in self.links() if (said := _said(parts))]
        return lines or ["  nothing was heard"]


def _said(parts: list[Part]) -> str:
    """The voices of the last move, in words."""
    voices = voices_of(parts)
    here = {
        voice: [one.value for one in samples if one.part == len(parts) - 1] for voice, samples in voices.series.items()
    }
    busy = sorted((voice for voice in here if here[voice]), key=lambda voice: -len(set(here[voice])))
    told = [
        f"{voice} ({count(len(set(here[voice])), 'different value')}, now {here[voice][-1]:.6g})"
        for voice in busy[:SHOWN_MAX]
    ]
    more = [f"{count(len(busy) - SHOWN_MAX, 'other message')}"] if len(busy) > SHOWN_MAX else []
    background = voices_of(parts[-1:]).background
    return ", ".join([*told, *more, *([counted(background)] if background else [])])


async def over_midi(session: Session, system: MidiSystem, part: str, say: Callable[[str], None]) -> None:
    """Ask for the moves, listening to every MIDI port whose name holds `part`. Raises DeviceError."""

    def hear(name: str) -> Heard:
        return lambda packet, at: session.put(name, packet, at)

    ports = OpenPorts(system, part, hear=hear, opened=lambda _: None, say=say)

    async def look() -> None:
        while True:
            ports.look(time.monotonic())
            await asyncio.sleep(LOOK_S)

    try:
        ports.look(time.monotonic())
        async with _beside(look()):
            await _ask(session, say)
    finally:
        ports.close()


async def over_osc(session: Session, host: str, port: int, say: Callable[[str], None]) -> None:
    """Ask for the moves, listening at a UDP port; a link is what one host sends. Raises DeviceError."""

    def heard(packet: bytes, at: int, sender: Any) -> None:
        session.put(str(sender[0]), packet, at)

    transport = await listen(host, port, heard)
    try:
        say(f"listening: UDP port {transport.get_extra_info('sockname')[1]}")
        await _ask(session, say)
    finally:
        transport.close()


@asynccontextmanager
async def _beside(work: Any) -> AsyncIterator[None]:
    """Something that goes on meanwhile; where it fails, it is raised in the end."""
    task = asyncio.ensure_future(work)
    try:
        yield
    finally:
        if not task.done():
            task.cancel()
        else:
            task.result()


async def _ask(session: Session, say: Callable[[str], None]) -> None:
    asking, typed = Asking(), Typed()
    say(INTRODUCTION)
    while asking.asks is not None:
        say(asking.asks)
        line = await typed.line()
        await asyncio.sleep(SETTLE_S)
        answer = asking.answer("end" if line is None else line)
        if answer.forget:
            session.forget()
        heard = session.close(answer.keep, hold=answer.hold)
        if answer.keep is not None:
            say(f"{answer.keep}: {count(heard, 'message')}")
            for told in session.last():
                say(told)
        elif answer.say:
            say(answer.say)
    if session.lost:
        say(f"{count(session.lost, 'message')} came too fast or too many, and were lost")
