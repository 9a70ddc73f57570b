"""Where the world takes the place of drivers, threads, clocks and processes. All that decides anything is the program's
own: the core, the desk's driver, the ears of the pedals, the night, its journal and how it is taken up again."""

from __future__ import annotations

import asyncio
import os
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from datetime import datetime, tzinfo
from itertools import count
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any, Final
from unittest.mock import patch

import apscheduler.executors.base
import apscheduler.schedulers.base

import stagectl.core.nudges
import stagectl.core.room
import stagectl.core.work
import stagectl.journal.record
import stagectl.journal.spool
import stagectl.journal.write
import stagectl.live.clock
import stagectl.live.daemon
import stagectl.live.links
import stagectl.live.night
import stagectl.live.osc_ports
import stagectl.live.page_keys
import stagectl.live.record
import stagectl.live.sound
import stagectl.live.timetable
import stagectl.live.watch
import stagectl.pedals.keyboard
import stagectl.view.client
from stagectl.core.step import step as core_step
from stagectl.story.words import lines

from .disk import connection_of, last_line_of
from .loop import Inline
from .page_end import WAITING_BYTES
from .rules import TRAIL_MAX, UNDO_MAX
from .sound import SimSound
from .wires import SimLookup, SimUdp

if TYPE_CHECKING:
    from .night import World


class QuietPrinter:
    """Takes what people are told."""

    world: World

    def __init__(self) -> None:
        self._life = self.world.life

    def begin(self, first: str) -> None:
        self.world.ready(first)

    def say(self, some: Any) -> None:
        self.world.said(some)

    def tell(self, rows: Any, after: Any = ()) -> None:
        self.world.said([*lines(rows), *after])

    def warn(self, line: str) -> None:
        if self.world.life is self._life:
            self.world.warned(str(line))

    def close(self) -> None:
        """Nothing waits."""


class QuietSweep:
    """Leaves the garbage to the world, which is larger than the night."""

    def __init__(self, *_: Any) -> None:
        pass

    def begin(self) -> None:
        """Nothing is frozen."""

    async def forever(self) -> None:
        """Nothing is collected."""
        await asyncio.Event().wait()

    def end(self) -> None:
        """Nothing was frozen."""


class SimThread:
    """The recorder's thread: its rounds are taken in the loop's turn."""

    world: World

    def __init__(self, *, target: Callable[[], None], **_: Any) -> None:
        self.recorder: Any = getattr(target, "__self__", None)

    def start(self) -> None:
        self.world.rounds.recorder = self.recorder

    def join(self, _: float | None = None) -> None:
        while self.recorder._queue:
            self.recorder._round()

    def is_alive(self) -> bool:
        return False


class SimEvent:
    """What wakes the recorder's thread."""

    world: World

    def set(self) -> None:
        self.world.rounds.wake()

    def clear(self) -> None:
        """It is woken anew for each."""


def _clock_of(world: World) -> type[datetime]:
    class Clock(datetime):
        @classmethod
        def now(cls, tz: tzinfo | None = None) -> datetime:  # type: ignore[override]
            return world.clock.utc().astimezone(tz)

    return Clock


async def _listen(world: World, port: int, heard: Callable[[bytes, int, Any], None]) -> Any:
    world.osc_ears[port] = heard
    return SimpleNamespace(close=lambda: world.osc_ears.pop(port, None))


@contextmanager
def on_stage(world: World) -> Iterator[None]:
    """The program plays in this world."""
    for kind in (SimUdp, SimSound, QuietPrinter, SimThread, SimEvent):
        kind.world = world
    connect, sync, add, step = (
        sqlite3.connect,
        stagectl.journal.write._sync,
        stagectl.journal.spool.Spool._write,
        core_step,
    )
    disk, kind_of_connection = world.disk, connection_of(world.disk)

    def connected(address: Any, *args: Any, **kwargs: Any) -> sqlite3.Connection:
        if str(address).endswith("mode=rw") and str(world.disk.path.name) in str(address):
            kwargs["factory"] = kind_of_connection
        made: sqlite3.Connection = connect(address, *args, **kwargs)
        return made

    fsync, kept = os.fsync, [0]

    def fsynced(file: int) -> None:
        fsync(file)
        kept[0] += 1

    def synced(path: Path) -> int:
        before = kept[0]
        size = sync(path)
        found = world.recorder._journal._connection
        if kept[0] > before and found is not None and not found.in_transaction:
            disk.synced(size, last_line_of(found))
        return size

    def written(spool: Any, raw: bytes, at: int) -> None:
        if disk.memory_full:
            raise OSError(28, os.strerror(28))
        add(spool, raw, at)

    def stepped(plan: Any, state: Any, event: Any, now: int) -> Any:
        done = step(plan, state, event, now)
        world.stepped(plan, state, event, now, done)
        return done

    handle: Any = stagectl.live.night.Night.handle

    def handled(night: Any, *args: Any, **kwargs: Any) -> None:
        world.handling += 1
        try:
            handle(night, *args, **kwargs)
        finally:
            world.handling -= 1

    daemon = stagectl.live.daemon
    folder, keys = world.folder / "running", (f"key {number}" for number in count())
    clock = _clock_of(world)
    seams: list[tuple[Any, str, Any]] = [
        (time, "monotonic_ns", lambda: world.now),
        (time, "monotonic", lambda: world.now / 1e9),
        (time, "time_ns", world.clock.wall_ns),
        (time, "time", lambda: world.clock.wall_ns() / 1e9),
        (time, "sleep", lambda s: world.clock.to(world.now + round(s * 1e9))),
        (os, "fsync", fsynced),
        (sqlite3, "connect", connected),
        (stagectl.live.clock.ClockWatch.__init__, "__defaults__", (world.clock.wall_ns, lambda: world.now)),
        (stagectl.live.timetable, "datetime", clock),
        (apscheduler.schedulers.base, "datetime", clock),
        (apscheduler.executors.base, "datetime", clock),
        (stagectl.journal.write, "_sync", synced),
        (stagectl.journal.spool.Spool, "_write", written),
        (stagectl.journal.record, "threading", SimpleNamespace(Thread=SimThread, Event=SimEvent)),
        (stagectl.live.watch, "open_system", lambda _: world.system()),
        (stagectl.live.watch, "ThreadPoolExecutor", Inline),
        (stagectl.live.links, "UdpOut", SimUdp),
        (stagectl.live.links, "Lookup", SimLookup),
        (stagectl.live.sound, "SoundPlayer", SimSound),
        (stagectl.live.links, "keyboards", world.keyboards.listed),
        (stagectl.live.links, "open_keyboard", world.keyboards.open),
        (stagectl.pedals.keyboard, "_ask", world.keyboards.ask),
        (stagectl.live.night, "step", stepped),
        (stagectl.live.night.Night, "handle", handled),
        (asyncio, "create_subprocess_exec", world.page_end.start),
        (stagectl.view.client, "WAITING_MAX", WAITING_BYTES),
        # Bounds are lower here, so that nights get there.
        (stagectl.core.work, "UNDO_MAX", UNDO_MAX),
        (stagectl.core.nudges, "TRAIL_MAX", TRAIL_MAX),
        (stagectl.core.room, "TRAIL_MAX", TRAIL_MAX),
        (stagectl.live.page_keys, "new_key", lambda: next(keys)),
        (daemon, "Printer", QuietPrinter),
        (daemon, "Sweep", QuietSweep),
        (daemon, "go_ahead", lambda: None),
        (stagectl.live.osc_ports, "listen", lambda _, port, heard: _listen(world, port, heard)),
        (daemon, "set_by_signals", lambda stop: setattr(world.life, "stop", stop)),
    ]
    seams += [
        (module, "running", lambda: folder)
        for module in (stagectl.journal.record, stagectl.journal.spool, stagectl.live.record, stagectl.live.page_keys)
    ]
    with ExitStack() as stack:
        for owner, name, other in seams:
            stack.enter_context(patch.object(owner, name, other))
        yield


THROWS: Final = 9
"""So often what a coroutine would tidy up is broken off."""


def quiet(loop: Any) -> None:
    """Nothing of a loop runs any more, and nobody minds."""
    for task in asyncio.all_tasks(loop):
        task._log_destroy_pending = False  # type: ignore[attr-defined]
    loop.set_exception_handler(lambda *_: None)
    loop._ready.clear()
    loop._scheduled.clear()


def discard(loop: Any, coroutine: Any, daemon: Any) -> None:
    """A process is no more: nothing of it runs on, and nothing of it is tidied up."""
    tasks = asyncio.all_tasks(loop)
    quiet(loop)
    for name in ("tracks", "jobs", "watch", "hearing", "side", "night", "journal", "keys", "page"):
        if daemon is not None and hasattr(daemon, name):
            setattr(daemon, name, None)
    for one in (coroutine, *(task.get_coro() for task in tasks)):
        for _ in range(THROWS):
            try:
                one.throw(SystemExit())
            except BaseException:  # noqa: BLE001 - whatever it would have tidied up is gone
                break
    quiet(loop)
