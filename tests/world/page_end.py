"""The stage page's process, as the world has it: a pipe to it, what it makes of the lines, and the people who look.

The program's end is its own (`live/page.py`, `view/client.py`, `apart/kept.py`). At the other end of the pipe the
program's own `Cutter` and `Audience` are used, without a web server between them and those who look. What goes through
pipes and streams is what would go through real ones; a process that stands still reads nothing, so the pipe fills up.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Final

from stagectl.apart.pipes import parsed
from stagectl.live.page import Served
from stagectl.view.audience import Audience
from stagectl.view.lines import SILENT_S, Cutter, line

from .clock import MS, SECOND

if TYPE_CHECKING:
    from .night import World

KINDS: Final = frozenset(("page", "page client", "page stands still", "page dies"))
"""Inputs that need a page."""

PIPE_BYTES: Final = 4_096
"""What a pipe holds: pipe(7) has 65,536 bytes, and 4,096 for a user who has many."""

WAITING_BYTES: Final = 24_000
"""In the world so much may wait for the pipe (`WAITING_MAX` of `view/client.py`), so that a night gets there."""

LOADS_NS: Final = 250 * MS
THROUGH_NS: Final = 200_000
ENDS_NS: Final = 20 * MS
RETRY_NS: Final = SECOND
"""How soon a page that has lost its stream asks for it again (`RETRY_MS` of `view/audience.py`), ns."""


class SimPipe:
    """The program's end of the pipe: as much of asyncio's writer and its transport as the program uses."""

    def __init__(self, process: SimProcess) -> None:
        self.transport = self
        self.waiting = bytearray()
        """What the pipe has no room for."""
        self._process = process
        self._closing = False

    def get_write_buffer_size(self) -> int:
        """Bytes that wait."""
        return len(self.waiting)

    def is_closing(self) -> bool:
        return self._closing

    def write(self, data: bytes) -> None:
        self.waiting += data
        self._process.come(data)

    def close(self) -> None:
        if not self._closing:
            self._closing = True
            self._process.world.later(ENDS_NS, self._process.input_over)


class SimProcess:
    """One life of the page's process. `here`: it has said so; `still`: it stands still, and reads nothing."""

    def __init__(self, world: World, limit: int) -> None:
        self.world = world
        self.stdin = SimPipe(self)
        self.stdout = asyncio.StreamReader(limit=limit)
        self.returncode: int | None = None
        self.here = self.still = False
        self.audience = Audience()
        self.audience.counted = self._counts
        self.beat = world.now
        self.people: dict[Person, asyncio.Task[None]] = {}
        self._loop = asyncio.get_running_loop()
        self._waits: list[asyncio.Future[int]] = []
        self._inside = bytearray()
        """What is in the pipe."""
        self._cutter = Cutter()
        self._wants: list[dict[str, Any]] = []
        self._open: dict[str, Any] | None = None
        self._reads = False

    # -- the program's end ------------------------------------------------------------------------------------

    def come(self, data: bytes) -> None:
        """Something is written into the pipe."""
        with self.world.first():
            self.world.rules.page.written(data, len(self.stdin.waiting))
        self._fill()

    def wait(self) -> asyncio.Future[int]:
        """Its end."""
        over: asyncio.Future[int] = self._loop.create_future()
        if self.returncode is not None:
            over.set_result(self.returncode)
        self._waits.append(over)
        return over

    def kill(self) -> None:
        self.end(-9)

    # -- its own end ------------------------------------------------------------------------------------------

    def _fill(self) -> None:
        room = PIPE_BYTES - len(self._inside)
        if room > 0 and self.stdin.waiting:
            self._inside += self.stdin.waiting[:room]
            del self.stdin.waiting[:room]
        if self._inside and not (self._reads or self.still or self.returncode is not None):
            self._reads = True
            self.world.later(THROUGH_NS, self._read)

    def _read(self) -> None:
        self._reads = False
        if self.still or self.returncode is not None or self.world.page_end.process is not self:
            return
        data, self._inside = bytes(self._inside), bytearray()
        for text in self._cutter.take(data):
            message = parsed(text)
            if message is not None:
                self._take(message)
        self._fill()

    def _take(self, message: dict[str, Any]) -> None:
        """As `_Process.take` of `view/process.py`."""
        if "open" in message:
            self._open = message["open"]
            self.world.later(LOADS_NS, self._loaded)
        elif "beat" in message:
            self.beat = max(self.beat, message["beat"])
        elif "board" in message:
            self.audience.put(message["board"], message["is"])
        elif "gone" in message:
            self.audience.end(message["gone"])
            self.world.later(ENDS_NS, lambda: self.end(0))

    def _loaded(self) -> None:
        if self.returncode is None and self._open is not None and self.world.page_end.process is self:
            self.here = True
            port = self._open["port"]
            self.say("here", url=f"http://127.0.0.1:{port}/", port=port)
            self.world.page_end.came(self)

    def say(self, what: str, **message: Any) -> None:
        """A line for the program."""
        if self.returncode is None:
            self.stdout.feed_data(line({"is": what, **message}))

    def _counts(self) -> None:
        if self.returncode is None:
            self.say("clients", count=len(self.audience.clients))

    def want(self, want: dict[str, Any]) -> None:
        """Somebody who may control asks for something; of a program that says nothing, nothing is asked."""
        if self.still:
            self._wants.append(want)
        elif self.here and self.returncode is None and self.world.now - self.beat <= SILENT_S * SECOND:
            self.world.rules.page.asks(want, self.world.now)
            self.say("want", want=want, at=self.world.now, **{"from": "page"})

    def stands_still(self, for_ns: int) -> None:
        """It is not given a turn for a while."""
        self.still = True

        def goes_on() -> None:
            self.still = False
            self._fill()
            wants, self._wants = self._wants, []
            for want in wants:
                self.want(want)

        self.world.mended(for_ns, lambda: goes_on() if self.world.page_end.process is self else None)

    def input_over(self) -> None:
        """Its standard input has ended."""
        if not self.still:
            self.end(0)

    def end(self, code: int) -> None:
        """It is no more."""
        if self.returncode is None and self.world.page_end.process is self:
            self.returncode, self.here = code, False
            for task in self.people.values():
                task.cancel()
            self.people.clear()
            self.stdout.feed_eof()
            for over in self._waits:
                if not over.done():
                    over.set_result(code)


class Person:
    """Somebody with the page open, for a while. `reads`: whether what comes is taken at all."""

    def __init__(self, until: int, *, reads: bool) -> None:
        self.until = until
        self.reads = reads
        self.since = 0
        self.boards: dict[str, bytes] = {}

    async def look(self, audience: Audience) -> None:
        """Open the page, and take what comes, or nothing."""
        self.boards.clear()
        async for data in audience.stream({"control": True}):
            if not self.reads:
                await asyncio.Event().wait()
            for event in data.split(b"\n\n"):
                head, _, said = event.partition(b"\n")
                if head.startswith(b"event: "):
                    self.boards[head[7:].decode()] = said.removeprefix(b"data: ")

    def board(self, name: str) -> dict[str, Any] | None:
        """What is on the glass."""
        raw = self.boards.get(name)
        found: dict[str, Any] | None = None if raw is None else json.loads(raw)
        return found


class PageEnd:
    """`served`: where the page is served, in nights that have anything to do with it."""

    def __init__(self, world: World, *, served: bool) -> None:
        self.served = Served("127.0.0.1", 8480, control=True) if served else None
        self.process: SimProcess | None = None
        self.people: set[Person] = set()
        self._world = world

    async def start(self, *command: str, limit: int, **_: Any) -> SimProcess:
        """What starts the process, in the place of asyncio's."""
        assert command[-1] == "stagectl.view.process"
        self.process = SimProcess(self._world, limit)
        return self.process

    def forget(self) -> None:
        """The program is no more, and so its standard output ends: with it the page goes."""
        self.process = None
        self._world.rules.page.gone()

    def came(self, process: SimProcess) -> None:
        """It is served: whoever wants to look, looks."""
        self._world.rules.page.gone()
        for person in sorted(self.people, key=lambda one: one.until):
            self._opens(person, process)

    def come(self, for_ns: int, *, reads: bool) -> None:
        """Somebody opens the page, for a while."""
        person = Person(self._world.clock.world + for_ns, reads=reads)
        self.people.add(person)
        self._world.later(for_ns, lambda: self._leaves(person), rests=True)
        if self.process is not None and self.process.here and not self.process.still:
            self._opens(person, self.process)

    def _opens(self, person: Person, process: SimProcess) -> None:
        life = self._world.life
        if life is None or process.audience.full(True):
            return
        person.since = self._world.clock.world
        task = life.loop.create_task(person.look(process.audience))
        task._log_destroy_pending = False  # type: ignore[attr-defined]
        process.people[person] = task

    def _leaves(self, person: Person) -> None:
        self.people.discard(person)
        if self.process is not None:
            task = self.process.people.pop(person, None)
            if task is not None and self._world.life is not None:
                task.cancel()

    def dies(self) -> None:
        """Its process falls."""
        if self.process is not None:
            self.process.end(-11)
            self._world.rules.page.gone()

    def in_process(self, does: Callable[[SimProcess], None]) -> None:
        """Do something with the process, where there is one that is served."""
        if self.process is not None and self.process.here:
            does(self.process)
