"""Printing that never holds up a press: a bounded queue and a thread that empties it.

A terminal that does not read (a full pipe, a paused screen) costs lines, which are counted, and nothing else. What
lines look like there is worked out before the night (`term/ink.py`), and put around them in this thread. It also turns
rows into lines, and holds the steps of a treadle back until they can be told as one (`story/sweeps.py`): what comes
meanwhile is printed after them, so that times never run backwards.
"""

from __future__ import annotations

import os
import sys
import threading
import time
from collections.abc import Sequence
from contextlib import suppress
from queue import Empty, Full, Queue
from typing import Final, NamedTuple, TextIO

from stagectl.story.rows import Row
from stagectl.story.sweeps import Held
from stagectl.story.told import Told
from stagectl.story.words import lines
from stagectl.term.ink import Pen, pen_for

LINES_MAX: Final = 2_000
"""Batches that wait to be printed; more are dropped and counted."""

CLOSE_S: Final = 0.3
"""How long the end of the night waits for the last lines, s."""


class _Batch(NamedTuple):
    """What is printed at once: rows of the story, then lines as they are."""

    stream: TextIO
    rows: Sequence[Row]
    lines: Sequence[str]


class Printer:
    """Prints batches of lines from a thread of its own."""

    def __init__(self, out: TextIO | None = None, error: TextIO | None = None) -> None:
        self._out = out or sys.stdout
        self._error = error or _own_stderr()
        self._pens: dict[TextIO, Pen] = {stream: pen_for(stream) for stream in (self._out, self._error)}
        self._queue: Queue[_Batch | None] = Queue(LINES_MAX)
        self.lost = 0
        self._before: list[_Batch] | None = []
        self._held = Held()
        self._after: Sequence[str] = ()
        """Lines that come after what is held back."""
        self._thread = threading.Thread(target=self._run, name="printer", daemon=True)
        self._thread.start()

    def begin(self, first: str) -> None:
        """Print the first line of stdout, then what was said before it, and from now on everything soon."""
        before, self._before = self._before or [], None
        self.say([Told(first, "ready")])
        for batch in before:
            self._put(batch)

    def say(self, some: Sequence[str]) -> None:
        """Print lines to stdout, soon; but nothing before `begin`."""
        self._later(_Batch(self._out, (), some))

    def tell(self, rows: Sequence[Row], after: Sequence[str] = ()) -> None:
        """Print some rows of the story to stdout, then some lines, as `say` does; sweeps of a treadle as one."""
        self._later(_Batch(self._out, rows, after))

    def warn(self, line: str) -> None:
        """Print a line to stderr, soon."""
        self._put(_Batch(self._error, (), [Told(line, "trouble")]))

    def _later(self, batch: _Batch) -> None:
        if self._before is not None:
            self._before.append(batch)
        else:
            self._put(batch)

    def _put(self, batch: _Batch) -> None:
        if batch.rows or batch.lines:
            try:
                self._queue.put_nowait(batch)
            except Full:
                self.lost += len(batch.rows) + len(batch.lines)

    # -- the thread --------------------------------------------------------------------------------------

    def _run(self) -> None:
        while True:
            due = self._held.due
            try:
                batch = self._queue.get(timeout=None if due is None else max(0, due - time.monotonic_ns()) / 1e9)
            except Empty:
                self._write(self._out, self._ended())
                continue
            if batch is None:
                break
            try:
                self._print(batch)
            except Exception as error:  # noqa: BLE001 - what cannot be told costs its own lines and no others
                self._write(self._error, [Told(f"printing: {type(error).__name__}: {error}", "trouble")])
        self._write(self._out, self._ended())

    def _print(self, batch: _Batch) -> None:
        if not batch.rows:
            self._write(self._out, self._ended())
            self._write(batch.stream, batch.lines)
            return
        before, told = self._held.add(batch.rows, time.monotonic_ns())
        out = [*lines(before), *self._after] if before else []
        out += lines(told)
        if self._held.due is None:
            self._after = ()
            out += batch.lines
        else:
            self._after = batch.lines or (() if before else self._after)
        self._write(batch.stream, out)

    def _ended(self) -> list[str]:
        """What is held back, in lines."""
        after, self._after = self._after, ()
        return [*lines(self._held.end()), *after]

    def _write(self, stream: TextIO, some: Sequence[str]) -> None:
        if not some:
            return
        try:
            stream.write("\n".join(map(self._pens[stream], some)) + "\n")
            stream.flush()
        except (OSError, ValueError):
            # Nobody reads any more: what is said is in the journal.
            self.lost += len(some)

    def close(self) -> None:
        """Print what waits, as far as somebody reads it."""
        with suppress(Full):
            self._queue.put_nowait(None)
        self._thread.join(CLOSE_S)
        if self._thread.is_alive():
            with suppress(Empty):
                while True:
                    self._queue.get_nowait()
        with suppress(OSError, ValueError):
            self._out.flush()
            return
        # The interpreter would fail on flushing the closed pipe once more.
        with suppress(OSError, ValueError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), self._out.fileno())


def _own_stderr() -> TextIO:
    """Standard error by a number of its own: while a driver opens a port, the usual one is silenced."""
    try:
        return os.fdopen(os.dup(2), "w", encoding="utf-8", errors="replace")
    except OSError:
        return sys.stderr
