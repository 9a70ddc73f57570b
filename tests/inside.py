"""A press inside the program, timed from the driver's callback to the moment when the bytes are handed to the desk's
port: several nights in this process take turns, press by press, so that all see the same machine. Used by benches."""

from __future__ import annotations

import asyncio
import io
import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from queue import Queue
from typing import Any, Final

from stagectl.core.actions import GoTo
from stagectl.core.events import DeskCame, Wanted
from stagectl.desk.talk import DeskTalk
from stagectl.journal.schema import Night as Head
from stagectl.live.inbox import Inbox
from stagectl.live.links import OutLink
from stagectl.live.night import Night, Outs
from stagectl.live.printer import Printer
from stagectl.pedals.hear import MidiEar
from stagectl.show.compile import compile_show
from stagectl.show.load import load_show

WARM = 20
"""Presses of each that are not counted."""

PAUSE_S = 0.002
"""A foot is not a flood: the loop goes back to waiting, as it does on the night."""


HEAD: Final = Head(setlist="bench", begun_us=0, program="bench", zero=time.monotonic_ns())
"""A night like no other: what a bench that was killed leaves in memory is nobody else's."""


class NoRecord:
    """A record that keeps nothing."""

    def write(self, *_: object) -> int:
        return 0

    def left(self, *_: object) -> None:
        """Nothing."""

    def go(self) -> None:
        """Nothing."""

    def close(self) -> None:
        """Nothing."""


class Lane:
    """One night with a record of its own. `folder`: its show."""

    def __init__(self, folder: Path, mapping: str, record: Any) -> None:
        show = load_show(folder)
        compiled = compile_show(show)
        self.left: Queue[int] = Queue()
        self.taken: list[int] = []
        self.record = record
        left = self.left

        class Port(OutLink):
            def send(self, packet: bytes) -> None:
                left.put(time.monotonic_ns())

        self._printer = Printer(io.StringIO(), io.StringIO())
        outs = Outs(Port("desk", show.rig.desk), [])
        self.night = Night(show, compiled, record, self._printer, outs, DeskTalk.of(show), time.monotonic_ns())
        ear = MidiEar(0, show.mappings[mapping])

        def take(_: int, packet: bytes, at: int) -> None:
            for event in ear.hear(packet):
                self.night.handle(event, at, packet)

        self.inbox = Inbox(asyncio.get_running_loop(), take, print)
        self.night.handle(DeskCame(), time.monotonic_ns())
        self.night.handle(Wanted(action=GoTo(stop=1), who="the start", listener=None), time.monotonic_ns())
        while not left.empty():
            left.get()

    def press(self, control: int) -> None:
        """A press from a driver's thread; what it took is noted."""
        began = time.monotonic_ns()
        self.inbox.put(0, bytes((0xB0, control, 127)), began)
        self.taken.append(self.left.get(timeout=10) - began)
        self.inbox.put(0, bytes((0xB0, control, 0)), time.monotonic_ns())
        threading.Event().wait(PAUSE_S)

    def close(self) -> None:
        self.night.end()
        self.record.close()
        self._printer.close()


def in_turns(folder: Path, mapping: str, records: Sequence[Callable[[], Any]], presses: int) -> list[list[int]]:
    """What presses took, ns, for each way of recording, in turns."""
    return asyncio.run(_in_turns(folder, mapping, records, presses))


async def _in_turns(folder: Path, mapping: str, records: Sequence[Callable[[], Any]], presses: int) -> list[list[int]]:
    lanes = [Lane(folder, mapping, make()) for make in records]

    def feet() -> None:
        for at in range(presses + WARM):
            for lane in lanes:
                lane.press(80 + at % 2)

    await asyncio.get_running_loop().run_in_executor(None, feet)
    for lane in lanes:
        lane.close()
    return [lane.taken[WARM:] for lane in lanes]
