"""The page's process as the program keeps it, and browsers that speak to it byte by byte. Nothing here sleeps: every
wait is for a line or for bytes, with a limit."""

from __future__ import annotations

import json
import socket
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, Final

from heart import beating
from lines import Program

from stagectl.view.guard import seal

READ: Final = "a-key-to-read"
CONTROL: Final = "a-key-to-control"
LIMIT_S: Final = 20.0


class Served:
    """A page that is served on any free port of this machine."""

    def __init__(self, program: Program, port: int) -> None:
        self.program, self.port = program, port
        self._says = threading.Lock()
        self.at = f"127.0.0.1:{port}"
        self.url = f"http://{self.at}"

    def cookie(self, key: str) -> str:
        """What a browser sends that has been let in by a key."""
        return f"stagectl-{self.port}={seal(key)}"

    def put(self, board: str, **is_: Any) -> None:
        """The program shows a board."""
        self.say({"board": board, "is": is_})

    def say(self, message: dict[str, Any]) -> None:
        """The program says something."""
        self.line(json.dumps(message))

    def line(self, line: str) -> None:
        """The program says a line, whole."""
        with self._says:
            self.program.say(line)

    def told(self, what: str) -> dict[str, Any]:
        """The next line of a kind that the process says."""
        line = self.program.until(lambda line: json.loads(line)["is"] == what)
        return dict(json.loads(line))

    def raw(self, text: bytes = b"") -> socket.socket:
        """A connection, with some bytes sent."""
        made = socket.create_connection(("127.0.0.1", self.port), LIMIT_S)
        made.sendall(text)
        return made

    def ask(self, method: str, path: str, body: bytes = b"", **headers: str) -> tuple[int, dict[str, str], str]:
        """One request on a connection of its own: code, headers in small letters, text. `_` in a header's name is `-`;
        a `Host` is sent where none is given."""
        lines = {"Host": self.at, "Connection": "close", **({"Content-Length": str(len(body))} if body else {})}
        lines |= {name.replace("_", "-"): value for name, value in headers.items()}
        head = f"{method} {path} HTTP/1.1\r\n" + "".join(f"{name}: {value}\r\n" for name, value in lines.items())
        with self.raw(head.encode() + b"\r\n" + body) as made:
            return answer(all_of(made))

    def want(self, want: object, **headers: str) -> int:
        """The code of an answer to a want that the page itself would send, but for what is given."""
        mine = {"Cookie": self.cookie(CONTROL), "Origin": self.url, "Content_Type": "application/json", **headers}
        body = want if isinstance(want, bytes) else json.dumps(want).encode()
        return self.ask("POST", "/want", body, **{name: value for name, value in mine.items() if value})[0]


def all_of(made: socket.socket) -> bytes:
    """Everything up to the end; what was said before a reset counts."""
    data = b""
    try:
        while part := made.recv(65_536):
            data += part
    except ConnectionResetError:
        pass
    return data


def answer(data: bytes) -> tuple[int, dict[str, str], str]:
    """Code, headers and text of an answer."""
    head, _, text = data.partition(b"\r\n\r\n")
    first, *lines = head.decode().split("\r\n")
    pairs = (line.split(": ", 1) for line in lines)
    return int(first.split()[1]), {name.lower(): value for name, value in pairs}, text.decode()


@contextmanager
def served(**how: Any) -> Iterator[Served]:
    """The page's process, as the program opens it. `how`: what differs from the usual."""
    program = Program([sys.executable, "-m", "stagectl.view.process"])
    try:
        usual = {"host": "127.0.0.1", "port": 0, "title": "a night", "kind": "night", "control_key": CONTROL}
        program.say(json.dumps({"open": {**usual, **how}}))
        made = Served(program, int(json.loads(program.line(LIMIT_S))["port"]))
        with beating(made.line):
            yield made
    finally:
        program.close()
