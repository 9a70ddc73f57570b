"""The page as its own process serves it, given boards by a test."""

from __future__ import annotations

import json
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any
from urllib.parse import urlsplit
from urllib.request import Request, urlopen

from browsing import browser as browser
from heart import beating
from lines import LIMIT_S, Program

from stagectl.view.guard import seal


class Served:
    """The process. `url`: its address, with the key where there is one."""

    def __init__(self, program: Program, key: str | None) -> None:
        self.process = program.process
        self._program = program
        self._says = threading.Lock()
        self.bare = self.until("here")["url"]
        self.url = self.bare if key is None else f"{self.bare}?key={key}"

    def until(self, kind: str) -> dict[str, Any]:
        """The next thing of a kind that it says. Raises RuntimeError where it has failed, else as `line` does."""
        while True:
            told: dict[str, Any] = json.loads(self._program.line())
            if told["is"] == kind:
                return told
            if told["is"] == "failed":
                raise RuntimeError(told["text"])

    def kill(self) -> None:
        """It ends at once, and tells nobody."""
        self.process.kill()
        self.process.wait(10)

    def say(self, message: dict[str, Any]) -> None:
        """Tell it something."""
        self.line(json.dumps(message))

    def line(self, line: str) -> None:
        """Tell it a line, whole."""
        with self._says:
            self._program.say(line)

    def put(self, board: str, is_: Any) -> None:
        """Show a board."""
        self.say({"board": board, "is": is_})

    def want(self, want: object, key: str) -> None:
        """Somebody with a key asks for something, without a browser."""
        at = urlsplit(self.bare)
        mine = {"Cookie": f"stagectl-{at.port}={seal(key)}", "Origin": f"{at.scheme}://{at.netloc}"}
        order = Request(f"{self.bare}want", json.dumps(want).encode(), {**mine, "Content-Type": "application/json"})
        with urlopen(order, timeout=10) as answer:
            assert answer.status == 202, answer.read()


@contextmanager
def served(control_key: str | None = None, port: int = 0, *, read_key: str | None = None) -> Iterator[Served]:
    """A page on this machine, at any free port."""
    program = Program([sys.executable, "-m", "stagectl.view.process"])
    open_ = {"host": "127.0.0.1", "port": port, "title": "a night", "kind": "night"}
    program.say(json.dumps({"open": open_ | {"read_key": read_key, "control_key": control_key}}))
    try:
        made = Served(program, control_key or read_key)
        with beating(made.line):
            yield made
    finally:
        assert program.process.stdin is not None
        # A process that was killed takes nothing more.
        with suppress(BrokenPipeError):
            program.process.stdin.close()
        program.process.wait(LIMIT_S)
        program.close()
