"""Inside the program: from a driver's callback to the desk's port, beside the same way through a bare loop."""

from __future__ import annotations

import asyncio
import tempfile
import threading
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from queue import Queue
from typing import Protocol

from bench_latency import write_show
from inside import HEAD, PAUSE_S, WARM, Lane, NoRecord

from stagectl.journal.record import begin


class Takes(Protocol):
    """Somewhere that a press goes."""

    taken: list[int]
    left: Queue[int]

    def press(self, control: int) -> None:
        """A press, from a driver's thread; what it took is noted in `taken`, ns."""

    def close(self) -> None:
        """The end."""


class BareLane:
    """A driver's thread, a loop, and a port: no program between."""

    def __init__(self) -> None:
        self.taken: list[int] = []
        self.left: Queue[int] = Queue()
        self._loop = asyncio.get_running_loop()

    def press(self, control: int) -> None:
        began = time.monotonic_ns()
        self._loop.call_soon_threadsafe(self._send, bytes((0xB0, control, 127)))
        self.taken.append(self.left.get(timeout=10) - began)
        threading.Event().wait(PAUSE_S)

    def _send(self, packet: bytes) -> None:
        self.left.put(time.monotonic_ns())

    def close(self) -> None:
        """Nothing is left behind."""


def inside(blocks: int, presses: int) -> dict[str, list[list[int]]]:
    """What presses took, ns, block by block: with the journal, without it, and through a bare loop; in turns, press by
    press. Raises RuntimeError where a press was answered more than once: then the next answer would be no answer."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_show(folder)
        return asyncio.run(_inside(folder, blocks, presses))


async def _inside(folder: Path, blocks: int, presses: int) -> dict[str, list[list[int]]]:
    lanes: Mapping[str, Takes] = {
        "journal": Lane(folder, "switch-pair", begin(folder / "bench.night", HEAD, print)),
        "no journal": Lane(folder, "switch-pair", NoRecord()),
        "bare": BareLane(),
    }
    await asyncio.get_running_loop().run_in_executor(None, _feet, list(lanes.values()), WARM + blocks * presses)
    for lane in lanes.values():
        lane.close()
    at = range(WARM, WARM + blocks * presses, presses)
    return {name: [lane.taken[first : first + presses] for first in at] for name, lane in lanes.items()}


def _feet(lanes: Sequence[Takes], presses: int) -> None:
    for at in range(presses):
        for lane in lanes:
            # At first the desk is still told everything.
            while at < WARM and not lane.left.empty():
                lane.left.get()
            if not lane.left.empty():
                raise RuntimeError(f"{lane.left.qsize()} more answers than presses, at press {at}")
            lane.press(80 + at % 2)
