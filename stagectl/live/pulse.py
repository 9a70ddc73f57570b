"""Clock and time code for what follows the running track: delays, lights. Each output has a process of its own
(`tracks/pulse/process.py`), so that nothing else delays it: neither the daemon, nor another output whose port is
opened.

A process that ends, for whatever reason, is started again, and told what runs: it goes on where the track is by then.
What is said here is only written to a pipe; nothing waits, and nothing raises.
"""

from __future__ import annotations

import asyncio
import json
from asyncio.subprocess import DEVNULL, PIPE, Process
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import Any, Final, NamedTuple

from stagectl.apart.pipes import NONSENSE, parsed
from stagectl.apart.python import runs
from stagectl.core.tempo import TempoMap

RESTART_S: Final = 2.0
"""Seconds until a process that ended is started again."""

ENDS_S: Final = 2.5
"""What a process has to stop its receiver, close its ports and end, s; then it is killed."""

BACKLOG_MAX: Final = 4 << 20
"""Bytes that may wait for a process, some times the longest tempo map. One that does not read them hangs."""

LATE_FEW: Final = 10
LATE_SHARE: Final = 0.01
"""So many messages, and such a share, may leave late (`process.LATE_NS`) before that is told."""


class PulseOut(NamedTuple):
    """An output. `port`: any part of the name of its MIDI port; `time_code`: a rate of `wire.time_code.RATES`, or
    None."""

    name: str
    port: str
    clock: bool
    time_code: str | None = None


class Pulse:
    """The outputs. `changed` is called in the loop with the name of each output whose port came (True) or went (False);
    `trouble` with sentences. Positions are ns since the track's beginning; `zero` is the monotonic time, ns, at which
    the position was, or will be, 0."""

    def __init__(
        self,
        outputs: Sequence[PulseOut],
        api: str,
        changed: Callable[[str, bool], None],
        trouble: Callable[[str], None],
    ) -> None:
        self._outputs = [_Output(out, api, self._running, changed, trouble) for out in outputs]
        self._track: _Track | None = None
        self._closed = asyncio.Event()

    async def forever(self) -> None:
        """Keep a process for each output, until cancelled or closed."""
        async with asyncio.TaskGroup() as group:
            group.create_task(self._closed.wait())
            for output in self._outputs:
                group.create_task(output.forever(self._closed))

    def run(self, tempo: TempoMap | None, zero: int, position: int, code_at: int = 0) -> None:
        """The track runs from a position on. Told before it begins, the first clock is in time; told later, clock and
        time code begin where the track is by then. Without a tempo map there is time code alone."""
        self._track = _Track(tempo, zero, position, code_at)
        self._say(self._running())

    def moved(self, zero: int) -> None:
        """The track's zero is elsewhere than was thought."""
        if self._track is not None:
            self._track = self._track._replace(zero=zero)
            self._say(_line({"moved": zero}))

    def halt(self) -> None:
        """The track stands still: the receivers are stopped."""
        if self._track is not None:
            self._track = None
            self._say(_line({"halt": True}))

    def close(self) -> None:
        """The receivers are stopped, and the processes end by themselves."""
        self._closed.set()
        for output in self._outputs:
            output.close()

    @property
    def pids(self) -> dict[str, int]:
        """The numbers of the processes that run now, by the names of their outputs."""
        return {output.name: output.pid for output in self._outputs if output.pid is not None}

    def _running(self) -> bytes:
        """What a process that is started now is told of the track."""
        if self._track is None:
            return b""
        tempo, zero, position, code_at = self._track
        plain = None if tempo is None else tempo.plain()
        return _line({"run": {"tempo": plain, "zero": zero, "position": position, "code_at": code_at}})

    def _say(self, line: bytes) -> None:
        for output in self._outputs:
            output.say(line)


class _Track(NamedTuple):
    """What runs: see `Pulse.run`."""

    tempo: TempoMap | None
    zero: int
    position: int
    code_at: int


class _Output:
    """One output, and its process while there is one."""

    def __init__(
        self,
        out: PulseOut,
        api: str,
        running: Callable[[], bytes],
        changed: Callable[[str, bool], None],
        trouble: Callable[[str], None],
    ) -> None:
        self.name = out.name
        self._out = out
        self._api = api
        self._running = running
        self._changed = changed
        self._trouble = trouble
        self._process: Process | None = None
        self._here = self._told = self._hangs = False

    @property
    def pid(self) -> int | None:
        """The number of its process."""
        return None if self._process is None else self._process.pid

    async def forever(self, closed: asyncio.Event) -> None:
        """See `Pulse`."""
        while not closed.is_set():
            try:
                await self._once(closed)
            except OSError as error:
                self._tell(f"its process cannot be started: {error}")
            except Exception as error:  # noqa: BLE001 - whatever one output stumbles over, it is begun anew
                self._tell(f"{type(error).__name__}: {error}")
            self._ended(closed)
            with suppress(TimeoutError):
                async with asyncio.timeout(RESTART_S):
                    await closed.wait()

    def say(self, line: bytes) -> None:
        """Tell the process, if there is one."""
        if self._process is None or self._process.stdin is None or self._hangs or self._process.stdin.is_closing():
            return
        self._process.stdin.write(line)
        if self._process.stdin.transport.get_write_buffer_size() > BACKLOG_MAX:
            # Once: a second time asyncio would lose sight of it.
            self._hangs = True
            with suppress(ProcessLookupError):
                self._process.kill()

    def close(self) -> None:
        """See `Pulse`."""
        if self._process is not None and self._process.stdin is not None:
            self._process.stdin.close()

    async def _once(self, closed: asyncio.Event) -> None:
        """A process from its beginning to its end. Raises OSError where it cannot be started."""
        self._process = await asyncio.create_subprocess_exec(
            *runs("stagectl.tracks.pulse.process"), stdin=PIPE, stdout=PIPE, stderr=DEVNULL
        )
        assert self._process.stdout is not None
        self._hangs = False
        try:
            if closed.is_set():
                return
            _, port, clock, time_code = self._out
            self.say(_line({"port": port, "api": self._api, "clock": clock, "time_code": time_code}) + self._running())
            async for line in self._process.stdout:
                self._hear(line)
            await self._process.wait()
        finally:
            await _end(self._process, killed=self._hangs)

    def _hear(self, text: bytes) -> None:
        """A line of the process; one that is none costs that line."""
        if (said := parsed(text)) is not None:
            with suppress(*NONSENSE):
                self._heard(said)

    def _heard(self, said: dict[str, Any]) -> None:
        """What the process says. Raises `NONSENSE`."""
        if "here" in said:
            self._told = False
            self._is_here(said["here"])
        elif "trouble" in said:
            self._trouble(f"{self.name}: {said['trouble']}")
        elif said["late"] > max(LATE_FEW, said["sent"] * LATE_SHARE):
            self._trouble(
                f"{self.name}: {said['late']} of {said['sent']} messages left late, by up to "
                f"{said['worst'] / 1e6:.0f} ms: this machine may be too busy"
            )

    def _is_here(self, here: bool) -> None:
        if here != self._here:
            self._here = here
            self._changed(self.name, here)

    def _ended(self, closed: asyncio.Event) -> None:
        """The process has ended: unasked for, unless all is closed."""
        process, self._process = self._process, None
        self._is_here(False)
        if process is not None and not closed.is_set():
            self._tell(f"its process has ended ({process.returncode}), and is started again")

    def _tell(self, sentence: str) -> None:
        """Once, until its port has been here again."""
        if not self._told:
            self._told = True
            self._trouble(f"{self.name}: {sentence}")


async def _end(process: Process, *, killed: bool) -> None:
    """See to it that a process ends: it stops its receiver and ends with its standard input."""
    assert process.stdin is not None
    process.stdin.close()
    with suppress(TimeoutError):
        async with asyncio.timeout(ENDS_S):
            await process.wait()
    if process.returncode is None and not killed:
        with suppress(ProcessLookupError):
            process.kill()
    await process.wait()


def _line(what: dict[str, Any]) -> bytes:
    return json.dumps(what).encode() + b"\n"
