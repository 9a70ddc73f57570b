"""A program whose lines a test waits for, with a limit and without ever sleeping."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from typing import Final

from forked import begun

LIMIT_S: Final = 30.0
"""A line that has not come by then never comes, s."""


class Program:
    """A running program. Its lines are read by a thread, so that it never waits to be read. `environment`: on top of
    this one."""

    def __init__(self, command: Sequence[str], **environment: str) -> None:
        self.process = begun(command, environment)
        self._lines: queue.Queue[str | None] = queue.Queue()
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        # Whoever ends it may close the pipe before the last line was read: nobody waits for that any more.
        with suppress(ValueError):
            for line in self.process.stdout:
                self._lines.put(line.rstrip("\n"))
        self._lines.put(None)

    def line(self, limit_s: float = LIMIT_S) -> str:
        """The next line. Raises TimeoutError where none comes, EOFError where the program has ended."""
        try:
            line = self._lines.get(timeout=limit_s)
        except queue.Empty:
            raise TimeoutError(f"no line within {limit_s} s") from None
        if line is None:
            assert self.process.stderr is not None
            raise EOFError(f"the program has ended: {self.process.stderr.read()}")
        return line

    def until(self, wanted: Callable[[str], bool]) -> str:
        """The next line that is wanted; the others are passed over."""
        while not wanted(line := self.line()):
            pass
        return line

    def rest(self) -> list[str]:
        """Every line up to the end of the program."""
        return list(iter(lambda: self._lines.get(timeout=LIMIT_S), None))

    def say(self, line: str) -> None:
        """A line on its standard input."""
        assert self.process.stdin is not None
        self.process.stdin.write(line + "\n")
        self.process.stdin.flush()

    def close(self, number: int | None = None) -> None:
        """End it, by a signal where one is given, and let go of its pipes."""
        if number is None:
            self.process.kill()
        else:
            self.process.send_signal(number)
        self.process.wait(LIMIT_S)
        for pipe in (self.process.stdin, self.process.stdout, self.process.stderr):
            assert pipe is not None
            with suppress(BrokenPipeError):
                pipe.close()


@contextmanager
def running(*command: str) -> Iterator[Program]:
    """The program, ended when the test is over."""
    program = Program(command)
    try:
        yield program
    finally:
        program.close()
