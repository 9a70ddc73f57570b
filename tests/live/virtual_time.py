"""An event loop in a time of its own: it never waits, and its clock on the wall can be set.

The loop's clock is monotonic and goes on only when there is nothing else to do: then it goes straight to the next
timer. Work in threads is real: the loop waits for it, and no time passes meanwhile. APScheduler asks the system for the
time itself; while a virtual loop runs, it gets the loop's instead (`asks`).
"""

from __future__ import annotations

import asyncio
import selectors
from collections.abc import Callable, Coroutine, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Any, Final, TypeVar
from unittest.mock import patch

import apscheduler.executors.base
import apscheduler.schedulers.base

ResultT = TypeVar("ResultT")

THREAD_S: Final = 20.0
"""How long a thread may really take, s."""

EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


class VirtualLoop(asyncio.SelectorEventLoop):
    """`wall`: where the clock on the wall begins."""

    def __init__(self, wall: datetime) -> None:
        self.monotonic_ns = 0
        self.busy = 0
        self._wall_ns = _ns(wall)
        super().__init__(_Skipping(self))

    def time(self) -> float:
        """The monotonic clock, s."""
        return self.monotonic_ns / 1e9

    def wall_ns(self) -> int:
        """The clock on the wall, ns since 1970."""
        return self._wall_ns + self.monotonic_ns

    def now(self) -> datetime:
        """The clock on the wall."""
        return EPOCH + timedelta(microseconds=self.wall_ns() // 1000)

    def set_wall(self, by: timedelta) -> None:
        """Somebody sets the clock on the wall."""
        self._wall_ns += by // timedelta(microseconds=1) * 1000

    def run_in_executor(self, executor: Any, func: Callable[..., Any], *args: Any) -> asyncio.Future[Any]:  # type: ignore[override]
        future = super().run_in_executor(executor, func, *args)
        self.busy += 1
        future.add_done_callback(self._idle)
        return future

    def _idle(self, _: object) -> None:
        self.busy -= 1


class _Skipping(selectors.DefaultSelector):
    """Where nothing is ready, time goes on instead."""

    def __init__(self, loop: VirtualLoop) -> None:
        super().__init__()
        self._virtual = loop

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        ready = super().select(0)
        if ready or timeout == 0:
            return ready
        if self._virtual.busy:
            ready = super().select(THREAD_S)
            assert ready, f"a thread has not come back for {THREAD_S:g} s"
            return ready
        assert timeout is not None, "nothing is going to happen any more"
        # Rounded up to the microsecond, which is all that a `datetime` can tell.
        self._virtual.monotonic_ns += max(1, -(-round(timeout * 1e9) // 1000)) * 1000
        return []


def _ns(at: datetime) -> int:
    return (at - EPOCH) // timedelta(microseconds=1) * 1000


@contextmanager
def asks(loop: VirtualLoop) -> Iterator[None]:
    """APScheduler asks this loop for the time."""

    class Clock(datetime):
        @classmethod
        def now(cls, tz: tzinfo | None = None) -> datetime:  # type: ignore[override]
            assert tz is not None
            return loop.now().astimezone(tz)

    modules = (apscheduler.schedulers.base, apscheduler.executors.base)
    with patch.object(modules[0], "datetime", Clock), patch.object(modules[1], "datetime", Clock):
        yield


def played(wall: datetime, night: Callable[[VirtualLoop], Coroutine[Any, Any, ResultT]]) -> ResultT:
    """Run a night in a virtual loop that begins at a time."""
    with asyncio.Runner(loop_factory=lambda: VirtualLoop(wall)) as runner:
        loop = runner.get_loop()
        assert isinstance(loop, VirtualLoop)
        with asks(loop):
            return runner.run(night(loop))
