"""The page as its own process serves it, given boards by a test."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import IO, Any
from urllib.parse import urlsplit
from urllib.request import Request, urlopen

from browsing import browser as browser
from forked import Forked, begun
from heart import beating

from stagectl.view.guard import seal


class Served:
    """The process. `url`: its address, with the key where there is one."""

    def __init__(self, process: subprocess.Popen[str] | Forked, key: str | None) -> None:
        assert process.stdin is not None
        assert process.stdout is not None
        self.process = process
        self._in: IO[str] = process.stdin
        self._says = threading.Lock()
        self._out: IO[str] = process.stdout
        self.bare = self.until("here")["url"]
        self.url = self.bare if key is None else f"{self.bare}?key={key}"

    def until(self, kind: str) -> dict[str, Any]:
        """The next thing of a kind that it says. Raises RuntimeError where it ends before that."""
        for line in self._out:
            told: dict[str, Any] = json.loads(line)
            if told["is"] == kind:
                return told
            if told["is"] == "failed":
                raise RuntimeError(told["text"])
        raise RuntimeError(f"the page's process has ended and has not said `{kind}`")

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
            self._in.write(line + "\n")
            self._in.flush()

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
    process = begun([sys.executable, "-m", "stagectl.view.process"])
    assert process.stdin is not None
    open_ = {"host": "127.0.0.1", "port": port, "title": "a night", "kind": "night"}
    process.stdin.write(json.dumps({"open": open_ | {"read_key": read_key, "control_key": control_key}}) + "\n")
    process.stdin.flush()
    try:
        made = Served(process, control_key or read_key)
        with beating(made.line):
            yield made
    finally:
        # A process that was killed takes nothing more.
        with suppress(BrokenPipeError):
            process.stdin.close()
        process.wait(10)
        for pipe in (process.stdout, process.stderr):
            assert pipe is not None
            pipe.close()
