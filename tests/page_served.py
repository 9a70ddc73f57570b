"""The page as its own process serves it, given boards by a test, and a browser that looks at it."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, Final

from heart import beating
from needs import needs, unavailable

if TYPE_CHECKING:
    from playwright.sync_api import Browser

ROOT: Final = Path(__file__).resolve().parents[1]

JUDGES: Final = Path(os.environ.get("STAGECTL_JUDGES", ROOT / ".judges"))
"""Where `npm install` has put the judges of pages."""

BROWSER: Final = "chromium"


class Served:
    """The process. `url`: its address, with the key where there is one."""

    def __init__(self, process: subprocess.Popen[bytes], key: str | None) -> None:
        assert process.stdin is not None
        assert process.stdout is not None
        self.process = process
        self._in: IO[bytes] = process.stdin
        self._says = threading.Lock()
        self._out: IO[bytes] = process.stdout
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
            self._in.write(line.encode() + b"\n")
            self._in.flush()

    def put(self, board: str, is_: Any) -> None:
        """Show a board."""
        self.say({"board": board, "is": is_})


@contextmanager
def served(control_key: str | None = None, port: int = 0, *, read_key: str | None = None) -> Iterator[Served]:
    """A page on this machine, at any free port."""
    process = subprocess.Popen(
        [sys.executable, "-m", "stagectl.view.process"], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    assert process.stdin is not None
    open_ = {"host": "127.0.0.1", "port": port, "title": "a night", "kind": "night"}
    process.stdin.write(
        json.dumps({"open": open_ | {"read_key": read_key, "control_key": control_key}}).encode() + b"\n"
    )
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
        assert process.stdout is not None
        process.stdout.close()


@contextmanager
def browser() -> Iterator[Browser]:
    """The browser of this machine, driven."""
    needs(BROWSER)
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        unavailable("playwright, which drives the browser, is not installed")
    with sync_playwright() as driver:
        made = driver.chromium.launch(executable_path=f"/usr/bin/{BROWSER}", args=["--no-sandbox"])
        try:
            yield made
        finally:
            made.close()
