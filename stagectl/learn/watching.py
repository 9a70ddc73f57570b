"""Watching what is learned: a table in place at a terminal, lines anywhere else; and the end of listening."""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Final

from stagectl.learn.series import Sender
from stagectl.learn.verdict import Learned, Verdict

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

ROWS_MAX: Final = 40
"""Controls that the table shows; the last ones that spoke."""


class Lines:
    """Says a line for each control whenever its verdict changes."""

    def __init__(self, put: Callable[[str], None]) -> None:
        self._put = put
        self._told: dict[tuple[str, Sender], str] = {}

    def say(self, line: str) -> None:
        """See `Shows`."""
        self._put(line)

    def show(self, port: str, learned: Learned) -> None:
        """See `Shows`."""
        for verdict in learned.verdicts:
            words = verdict.words()
            if self._told.get((port, verdict.sender)) != words:
                self._told[port, verdict.sender] = words
                self._put(line_of(port, verdict))


def line_of(port: str, verdict: Verdict) -> str:
    """A control with its latest value and its verdict, on one line."""
    value = "" if verdict.sender.press_only else f" = {verdict.last}"
    wanted = f"; {verdict.wanted}" if verdict.wanted else ""
    return f"{port}: {verdict.sender}{value}: {verdict.words()}{wanted}"


class InPlace:
    """Shows a table that is drawn anew in its place. A context manager."""

    def __init__(self, console: Console) -> None:
        from rich.live import Live

        self._rows: dict[tuple[str, Sender], Verdict] = {}
        self._live = Live(console=console, auto_refresh=False, transient=False)

    def __enter__(self) -> InPlace:
        self._live.__enter__()
        return self

    def __exit__(self, *error: Any) -> None:
        self._live.__exit__(*error)

    def say(self, line: str) -> None:
        """See `Shows`."""
        self._live.console.print(line, markup=False, highlight=False)

    def show(self, port: str, learned: Learned) -> None:
        """See `Shows`."""
        found = {(port, verdict.sender): verdict for verdict in learned.verdicts}
        # More messages can show that two controls are one.
        self._rows = {row: one for row, one in self._rows.items() if row[0] != port or row in found} | found
        self._live.update(self._table(), refresh=True)

    def _table(self) -> Table:
        from rich.table import Table
        from rich.text import Text

        made = Table(box=None, padding=(0, 2, 0, 0))
        for title in ("port", "control", "value", "verdict", "to be sure"):
            made.add_column(Text(title), justify="right" if title == "value" else "left")
        for (port, sender), verdict in list(self._rows.items())[-ROWS_MAX:]:
            value = "" if sender.press_only else str(verdict.last)
            cells = (port, str(sender), value, verdict.words(), verdict.wanted)
            made.add_row(*(Text(cell) for cell in cells))
        return made


def enter_pressed(seconds: float) -> bool:
    """Wait so long at most, and say whether a line, or the end, has come on standard input."""
    try:
        handle = sys.stdin.fileno()
    except (AttributeError, OSError, ValueError):
        return True
    if sys.platform == "win32":
        return _windows_enter(seconds)
    import select

    if not select.select([handle], [], [], seconds)[0]:
        return False
    sys.stdin.readline()
    return True


def _windows_enter(seconds: float) -> bool:
    import time

    if not sys.stdin.isatty():
        sys.stdin.readline()
        return True
    msvcrt: Any = __import__("msvcrt")
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        while msvcrt.kbhit():
            if msvcrt.getwch() in "\r\n":
                return True
        time.sleep(0.01)
    return False
