"""An event loop that never waits: where nothing is ready, the world goes on instead.

It has no files and no threads. What is given to an executor is done at once, in the loop's turn, so that the order of
everything follows from the inputs alone.
"""

from __future__ import annotations

import asyncio
import heapq
from collections.abc import Callable, Collection
from concurrent.futures import Future
from typing import Any, Final, Protocol

CHORE_S: Final = 2.5
"""Timers that are due sooner than this belong to what is done again and again, s."""


class Around(Protocol):
    """The world around a loop."""

    @property
    def now(self) -> int:
        """The monotonic clock, ns."""
        ...

    def go_on(self, due: int | None) -> None:
        """Let time pass up to when the loop has something due, ns, or less far."""
        ...

    def stumbled(self, context: dict[str, Any]) -> None:
        """Something was raised that nobody has caught."""
        ...


class _Never:
    """What takes the place of the selector."""

    def __init__(self, loop: VirtualLoop) -> None:
        self._loop = loop

    def select(self, timeout: float | None = None) -> list[Any]:
        if timeout is None or timeout > 0:
            self._loop.idle()
        return []

    def close(self) -> None:
        """Nothing is open."""


class VirtualLoop(asyncio.BaseEventLoop):
    """asyncio's own loop, in the time of a world."""

    def __init__(self, world: Around) -> None:
        super().__init__()
        self._world = world
        self._selector = _Never(self)
        self.readers: dict[int, Callable[[], None]] = {}
        self.set_exception_handler(lambda _, context: world.stumbled(context))

    def time(self) -> float:
        """The monotonic clock, s."""
        return self._world.now / 1e9

    def idle(self) -> None:
        """Nothing is ready."""
        waiting: list[asyncio.TimerHandle] = self._scheduled  # type: ignore[attr-defined]
        self._world.go_on(round(waiting[0].when() * 1e9) if waiting else None)

    def shift(self, by_ns: int, but: Collection[asyncio.TimerHandle | None]) -> None:
        """Put off what is done again and again, as though it had been done meanwhile. `but`: timers that stay."""
        waiting: list[asyncio.TimerHandle] = self._scheduled  # type: ignore[attr-defined]
        now = self.time()
        for timer in waiting:
            if timer.when() - now <= CHORE_S and timer not in but:
                timer._when += by_ns / 1e9  # type: ignore[attr-defined]
        heapq.heapify(waiting)

    def first_of_others(self, but: Collection[asyncio.TimerHandle | None]) -> int | None:
        """When the first timer is due that is no chore, or one of `but`, ns."""
        waiting: list[asyncio.TimerHandle] = self._scheduled  # type: ignore[attr-defined]
        now = self.time()
        dues = [
            round(one.when() * 1e9)
            for one in waiting
            if not one.cancelled() and (one.when() - now > CHORE_S or one in but)
        ]
        return min(dues, default=None)

    def run_in_executor(self, executor: Any, func: Callable[..., Any], *args: Any) -> asyncio.Future[Any]:  # type: ignore[override]
        done: asyncio.Future[Any] = self.create_future()
        try:
            done.set_result(func(*args))
        except Exception as error:  # noqa: BLE001 - whoever waits for it gets it
            done.set_exception(error)
        return done

    def add_reader(self, fd: Any, callback: Callable[..., Any], *args: Any) -> None:  # type: ignore[override]
        self.readers[fd] = lambda: callback(*args)

    def remove_reader(self, fd: Any) -> bool:
        return self.readers.pop(fd, None) is not None

    def readable(self, fd: int) -> None:
        """A file of the world has something to be read."""
        reader = self.readers.get(fd)
        if reader is not None:
            self.call_soon(self._reads, fd, reader)

    def _reads(self, fd: int, reader: Callable[[], None]) -> None:
        """Nobody reads a file that was let go of meanwhile, as asyncio's own loop has it."""
        if self.readers.get(fd) is reader:
            reader()

    def _process_events(self, event_list: list[Any]) -> None:
        """There are none."""

    def _write_to_self(self) -> None:
        """Nobody waits."""


class Inline:
    """An executor that does everything at once."""

    def __init__(self, *_: Any, **__: Any) -> None:
        pass

    def submit(self, func: Callable[..., Any], *args: Any) -> Future[Any]:
        """Do it now."""
        done: Future[Any] = Future()
        done.set_result(func(*args))
        return done

    def shutdown(self, *, wait: bool = True) -> None:
        """Nothing is under way."""
