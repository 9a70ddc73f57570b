"""The program's end of a process of its own: it starts it, hears its lines, and starts it again when it has ended.

The process is started again for as long as the night lasts; that it went is said once, until it has come back. It ends
with the program in every case, since its standard input then ends. In a session of its own, Ctrl-C at a terminal does
not reach it.
"""

from __future__ import annotations

import asyncio
from abc import ABC, abstractmethod
from asyncio.subprocess import DEVNULL, PIPE, Process
from collections.abc import Callable
from contextlib import suppress
from typing import Final, NamedTuple

from stagectl.apart.pipes import next_line
from stagectl.apart.python import runs

AGAIN_MAX_S: Final = 16.0
"""The longest until a process that did not come at all is started again, s."""


class Program(NamedTuple):
    """What runs in the process. `module`: its name for Python; `name`: what it is called in sentences; `cannot`: the
    sentence for where it cannot be started, before the reason; `line_max`: bytes of a line of its, a longer one is
    passed over; `again_s`: how long after its end it is started again, s, longer and longer up to `AGAIN_MAX_S` where
    it did not come at all; `ends_s`: how long it has for its end before it is killed, s."""

    module: str
    name: str
    cannot: str
    line_max: int
    again_s: float
    ends_s: float


class Kept(ABC):
    """A process that is kept, made in the loop. Both are called in its thread: `changed` with whether it is here, and a
    sentence, once for each coming and going; `trouble` with anything else worth telling."""

    def __init__(self, program: Program, changed: Callable[[bool, str], None], trouble: Callable[[str], None]) -> None:
        self.here = False
        self._program = program
        self._changed = changed
        self._trouble = trouble
        self._pipe: asyncio.StreamWriter | None = None
        """Its standard input, while it runs."""
        self._reason: str | None = None
        """Why it ends, where it has said so."""
        self._absent: str | None = None
        """Why it is away, as was said last."""
        self._told: set[str] = set()
        self._closed = self._came = False

    # -- what each process has of its own -----------------------------------------------------------------------

    @abstractmethod
    def _first(self) -> bytes:
        """The line that it is given first of all. It goes through the pipe, since everybody on this machine can read
        command lines."""

    @abstractmethod
    def _hear(self, text: bytes) -> None:
        """A line of the process. Whatever is raised is told as something odd, and ends nothing."""

    def _gone(self, reason: str) -> None:  # noqa: B027 - not every process leaves something behind
        """It has ended, or could not be started: called each time, before that is said."""

    # -- for these --------------------------------------------------------------------------------------------

    def _is_here(self, sentence: str) -> None:
        """It has come, and has said so."""
        self.here, self._came, self._absent = True, True, None
        self._told.clear()
        self._changed(True, sentence)

    def _say_once(self, sentence: str) -> None:
        """A trouble, once until the process comes anew."""
        if sentence not in self._told:
            self._told.add(sentence)
            self._trouble(sentence)

    def _close(self, last: bytes = b"") -> None:
        """Give it a last line, and let it end. `forever` then returns."""
        self._closed = True
        self.here = False
        if self._pipe is not None and not self._pipe.is_closing():
            self._pipe.write(last)
            self._pipe.close()

    # -- its process ------------------------------------------------------------------------------------------

    async def forever(self) -> None:
        """Keep the process, until it is closed, or until cancelled."""
        wait_s = self._program.again_s
        while not self._closed:
            self._came = False
            await self._live()
            # One that never came is looked for less and less often: each try loads its libraries anew.
            wait_s = self._program.again_s if self._came else min(2 * wait_s, AGAIN_MAX_S)
            if not self._closed:
                await asyncio.sleep(wait_s)

    async def _live(self) -> None:
        """One life of the process."""
        try:
            process = await asyncio.create_subprocess_exec(
                *runs(self._program.module),
                stdin=PIPE,
                stdout=PIPE,
                stderr=DEVNULL,
                limit=self._program.line_max,
                start_new_session=True,
            )
        except OSError as error:
            self._went(f"{self._program.cannot}: {error.strerror}")
            return
        assert process.stdin is not None
        assert process.stdout is not None
        self._pipe, self._reason = process.stdin, None
        try:
            if self._closed:
                # It was over before it had begun.
                return
            process.stdin.write(self._first())
            while text := await next_line(process.stdout):
                try:
                    self._hear(text)
                except Exception as error:  # noqa: BLE001 - what one line meets ends nothing
                    self._say_once(f"{self._program.name} said something odd: {type(error).__name__}: {error}")
        finally:
            self._pipe = None
            await _ended(process, self._program.ends_s)
            if not self._closed:
                self._went(self._reason or f"{self._program.name} has ended ({process.returncode})")

    def _went(self, reason: str) -> None:
        """The process is gone, or could not come. It is said once, until it is here again."""
        was_here, self.here = self.here, False
        self._gone(reason)
        if was_here or reason != self._absent:
            self._absent = reason
            self._changed(False, reason)


async def _ended(process: Process, wait_s: float) -> None:
    """Let the process end, or make it."""
    assert process.stdin is not None
    process.stdin.close()
    try:
        # (`wait_for` of Python 3.11 loses a cancellation that comes with the end.)
        async with asyncio.timeout(wait_s):
            await process.wait()
    except TimeoutError:
        with suppress(ProcessLookupError):
            process.kill()
        await process.wait()
