"""Printing that never holds up a press: a bounded queue and a thread that empties it.

A terminal that does not read (a full pipe, a paused screen) costs lines, which are counted, and nothing else. What
lines look like there is worked out before the night (`term/ink.py`), and put around them in this thread.
"""

from __future__ import annotations

import os
import sys
import threading
from collections.abc import Sequence
from contextlib import suppress
from queue import Empty, Full, Queue
from typing import Final, TextIO

from stagectl.story.told import Told
from stagectl.term.ink import Pen, pen_for

LINES_MAX: Final = 2_000
"""Batches that wait to be printed; more are dropped and counted."""

CLOSE_S: Final = 0.3
"""How long the end of the night waits for the last lines, s."""


class Printer:
    """Prints batches of lines from a thread of its own."""

    def __init__(self, out: TextIO | None = None, error: TextIO | None = None) -> None:
        self._out = out or sys.stdout
        self._error = error or _own_stderr()
        self._pens: dict[TextIO, Pen] = {stream: pen_for(stream) for stream in (self._out, self._error)}
        self._queue: Queue[tuple[TextIO, Sequence[str]] | None] = Queue(LINES_MAX)
        self.lost = 0
        self._held: list[str] | None = []
        self._thread = threading.Thread(target=self._run, name="printer", daemon=True)
        self._thread.start()

    def begin(self, first: str) -> None:
        """Print the first line of stdout, then what was said before it, and from now on everything at once."""
        held, self._held = self._held or [], None
        self.say([Told(first, "ready"), *held])

    def say(self, lines: Sequence[str]) -> None:
        """Print lines to stdout, soon; but nothing before `begin`."""
        if self._held is not None:
            self._held += lines
        else:
            self._put(self._out, lines)

    def warn(self, line: str) -> None:
        """Print a line to stderr, soon."""
        self._put(self._error, [Told(line, "trouble")])

    def _put(self, stream: TextIO, lines: Sequence[str]) -> None:
        if lines:
            try:
                self._queue.put_nowait((stream, lines))
            except Full:
                self.lost += len(lines)

    def _run(self) -> None:
        while (item := self._queue.get()) is not None:
            stream, lines = item
            try:
                stream.write("\n".join(map(self._pens[stream], lines)) + "\n")
                stream.flush()
            except (OSError, ValueError):
                # Nobody reads any more: what is said is in the journal.
                self.lost += len(lines)

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
