"""Garbage is collected between presses, never on the way of one.

Left to itself the collector runs after so many new objects, which are mostly those of a press or of a fade. So it is
switched off, and run where nothing has happened for a moment and nothing is due. What is there when the night is ready
stays for as long as the program, and is left out of every collection. Where a flood leaves no such moment, what has
piled up is bounded.
"""

from __future__ import annotations

import asyncio
import gc
import time
from collections.abc import Callable
from typing import Final

from stagectl.core.state import State
from stagectl.core.step import next_wake

LOOK_S: Final = 0.25
"""Seconds between two looks."""

QUIET_NS: Final = 50_000_000
"""For how long nothing has happened, and nothing will be due, around a collection, ns."""

WHOLE_S: Final = 30.0
"""Seconds between two collections of everything; in between only what is new is looked at."""

PILES_MAX: Final = 50_000
"""New objects of which some hold others, from which on they are collected whatever happens: they are some 10 MB."""


class Sweep:
    """The collector, for as long as the night is played. `state`: the present one; `now`: the monotonic clock, ns."""

    def __init__(self, state: Callable[[], State], now: Callable[[], int] = time.monotonic_ns) -> None:
        self._state, self._now = state, now
        self._whole_at = now()

    def begin(self) -> None:
        """Everything is loaded, and next to nothing of it is garbage: it stays without being looked through."""
        gc.disable()
        gc.freeze()

    def look(self) -> bool:
        """Collect what there is, if this is the moment for it. Returns whether it was."""
        now, state = self._now(), self._state()
        due = next_wake(state)
        quiet = now - state.now >= QUIET_NS and (due is None or due - now >= QUIET_NS)
        if not quiet and gc.get_count()[0] < PILES_MAX:
            return False
        whole = quiet and now - self._whole_at >= WHOLE_S * 1e9
        if whole:
            self._whole_at = now
        gc.collect(2 if whole else 0)
        return True

    async def forever(self) -> None:
        """Look on and on, until cancelled."""
        while True:
            await asyncio.sleep(LOOK_S)
            self.look()

    def end(self) -> None:
        """The collector is left to itself again."""
        gc.enable()
        gc.unfreeze()
