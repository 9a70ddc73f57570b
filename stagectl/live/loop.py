"""The loop that a night is played in: asyncio's, woken to the microsecond.

What waits for many files at once on Linux counts its time-out in whole milliseconds, rounded up, so that everything
that is due would be late by up to one. The older call counts in microseconds; it is asked first, about the one file
that stands for all of the others.
"""

from __future__ import annotations

import asyncio
import select
import selectors
import signal
import sys
from collections.abc import Coroutine
from typing import Any, Final

SWITCH_S: Final = 0.0005
"""How long a driver's thread waits at most until it may note what it has heard, s. A sound server's own thread must not
be held up: it would be late with everything, and messages would be lost."""

if sys.platform == "linux":

    class _Precise(selectors.EpollSelector):
        def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
            if timeout is not None and timeout > 0:
                select.select((self.fileno(),), (), (), timeout)
                timeout = 0
            return super().select(timeout)


def new_loop() -> asyncio.AbstractEventLoop:
    """A loop for a night."""
    if sys.platform == "linux":
        return asyncio.SelectorEventLoop(_Precise())
    return asyncio.new_event_loop()


def play(night: Coroutine[Any, Any, None]) -> None:
    """Run a coroutine to its end, in a loop of its own."""
    sys.setswitchinterval(SWITCH_S)
    with asyncio.Runner(loop_factory=new_loop) as runner:
        runner.run(night)


def outlive_terminal() -> None:
    """A terminal that goes away ends nothing from now on."""
    if hasattr(signal, "SIGHUP"):
        signal.signal(signal.SIGHUP, signal.SIG_IGN)


def set_by_signals(stop: asyncio.Event) -> None:
    """From now on SIGINT and SIGTERM set an event of the running loop, instead of ending the program."""
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        try:
            loop.add_signal_handler(number, stop.set)
        except NotImplementedError:
            # Windows has no such handlers in its loop.
            signal.signal(number, lambda *_: loop.call_soon_threadsafe(stop.set))
