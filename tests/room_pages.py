"""A rehearsal on a page, as its command serves it, and a client of it that is a few lines of the standard library."""

from __future__ import annotations

import http.client
import json
import re
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final
from urllib.parse import urlsplit

from forked import Forked, begun

WAIT_S: Final = 30.0
"""How long anything of a page may take on a busy machine, s."""


class Rehearsal:
    """The command, and what its page shows. `url`: the printed address, with its key."""

    def __init__(self, process: subprocess.Popen[str] | Forked) -> None:
        assert process.stdout is not None
        self.process = process
        line = process.stdout.readline()
        found = re.search(r"http://\S+", line)
        assert found, line + process.stdout.read()
        self.url = found[0]
        self._open: list[http.client.HTTPConnection] = []
        at = urlsplit(self.url)
        assert at.hostname is not None
        self.origin = f"{at.scheme}://{at.netloc}"
        self._at = (at.hostname, at.port)
        entered = self._ask("GET", f"{at.path}?{at.query}")
        assert (entered.status, entered.getheader("location")) == (303, "/room")
        self._cookie = (entered.getheader("set-cookie") or "").partition(";")[0]
        self._stream = self._ask("GET", "/live")
        self.boards: dict[str, Any] = {}
        """The last board of each name."""

    def _ask(self, method: str, path: str, body: str | None = None) -> http.client.HTTPResponse:
        connection = http.client.HTTPConnection(*self._at, timeout=WAIT_S)
        headers = {"Content-Type": "application/json", "Origin": self.origin} if body is not None else {}
        if hasattr(self, "_cookie"):
            headers["Cookie"] = self._cookie
        self._open.append(connection)
        connection.request(method, path, body, headers)
        return connection.getresponse()

    def want(self, **want: object) -> None:
        """Ask for something."""
        answer = self._ask("POST", "/want", json.dumps(want))
        assert answer.status == 202, answer.read()
        answer.close()
        self._open.pop().close()

    def press(self, control: str, pedal: str = "drum pedal") -> None:
        """A press as short as two requests are."""
        for down in (True, False):
            self.want(do="move", pedal=pedal, control=control, down=down)

    def until(self, board: str, holds: Callable[[Any], bool]) -> Any:
        """Read the stream (WHATWG HTML, 9.2) until a board is as it should be."""
        name = ""
        if board in self.boards and holds(self.boards[board]):
            return self.boards[board]
        while line := self._stream.readline():
            text = line.decode().rstrip("\n")
            if text.startswith("event: "):
                name = text[7:]
            elif text.startswith("data: "):
                self.boards[name] = json.loads(text[6:])
                if name == board and holds(self.boards[name]):
                    return self.boards[name]
        raise AssertionError(f"the stream has ended; the last `{board}`: {self.boards.get(board)}")

    def close(self) -> None:
        """Let go of the page."""
        self._stream.close()
        for connection in self._open:
            connection.close()

    def end(self) -> tuple[int, str]:
        """Ctrl-C: the exit code, and what was printed since."""
        self.process.send_signal(signal.SIGINT)
        assert self.process.stdout is not None
        said = self.process.stdout.read()
        return self.process.wait(WAIT_S), said


@contextmanager
def rehearsal(folder: Path, *arguments: str) -> Iterator[Rehearsal]:
    """The command on a show, at any free port."""
    command = [sys.executable, "-m", "stagectl", "rehearse", str(folder), "--page", "127.0.0.1:0", *arguments]
    process = begun(command, as_one=True)
    page: Rehearsal | None = None
    try:
        page = Rehearsal(process)
        yield page
    finally:
        if page is not None:
            page.close()
        process.kill()
        process.wait(WAIT_S)
        for pipe in (process.stdin, process.stdout):
            assert pipe is not None
            pipe.close()
