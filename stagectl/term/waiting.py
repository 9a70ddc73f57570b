"""A sign of life while something takes long: one line on standard error, from the second second on, gone at the end.

What works says what it is at, and how much of how much is done where that is known; it never waits for the drawing.
A thread draws, a few times a second. Where standard error is no terminal there is no thread and no line, and rich is
loaded only when there is something to draw.
"""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from typing import TYPE_CHECKING, Any, Final, TypeVar

from stagectl.term.ink import can_show

if TYPE_CHECKING:
    import sqlite3

    from rich.console import Console, RenderableType
    from rich.live import Live

ItemT = TypeVar("ItemT")

AFTER_S: Final = 1.0
"""What takes less than this shows nothing, s."""

DRAWN_S: Final = 0.125
"""How often it is drawn anew, s."""

BAR: Final = 30
"""How wide the bar is, in characters."""


class Waiting:
    """A context manager for something that may take long. `says`: what is being done. `draws`: whether anybody
    should see it. `console`: where; standard error where none is given, if it is a terminal. `clock`: monotonic, s."""

    def __init__(
        self,
        says: str,
        total: int | None = None,
        *,
        draws: bool = True,
        console: Callable[[], Console] | None = None,
        clock: Callable[[], float] | None = None,
    ) -> None:
        self.says, self.total, self.done = says, total, 0
        self._clock = clock or time.monotonic
        # Who brings a clock looks by it.
        self._looks = clock is None
        self._console = console or _on_stderr
        self.draws = draws and (console is not None or can_show(sys.stderr))
        self._begun = self._quiet_since = self._clock()
        self._live: Live | None = None
        self._lock = threading.Lock()
        self._ends = threading.Event()
        self._thread: threading.Thread | None = None

    def __enter__(self) -> Waiting:
        if self.draws and self._looks:
            self._thread = threading.Thread(target=self._run, name="waiting", daemon=True)
            self._thread.start()
        return self

    def __exit__(self, *error: object) -> None:
        self._ends.set()
        if self._thread is not None:
            self._thread.join()
        self.hide()

    def at(self, says: str, done: int | None = None, total: int | None = None) -> None:
        """What is being done now, and how much of how much of it is done."""
        self.says, self.total, self.done = says, total, done or 0

    def hide(self) -> None:
        """Take the line away, so that something can be printed; it comes back when that is a second ago."""
        if not self.draws:
            return
        with self._lock:
            self._quiet_since = self._clock()
            if self._live is not None:
                self._live.stop()
                self._live = None

    def look(self) -> None:
        """Draw the line, if it is time."""
        with self._lock:
            if self._live is not None:
                self._live.refresh()
            elif self._clock() - self._quiet_since >= AFTER_S and not self._ends.is_set():
                self._live = _live(self._console(), self._line)
                self._live.start(refresh=True)

    def _run(self) -> None:
        while not self._ends.wait(DRAWN_S):
            self.look()

    def _line(self) -> RenderableType:
        from rich.progress_bar import ProgressBar
        from rich.table import Table
        from rich.text import Text

        took = f"{self._clock() - self._begun:.0f} s"
        total, done = self.total, self.done
        grid = Table.grid(padding=(0, 1))
        cells: list[RenderableType] = [Text(self.says, overflow="ellipsis", no_wrap=True)]
        if total:
            part = min(done / total, 1.0)
            # No other colour than the terminal's own.
            bar = ProgressBar(1.0, part, width=BAR, style="dim", complete_style="bold", finished_style="bold")
            cells += [bar, Text(f"{int(100 * part):>3} %")]
        grid.add_row(*cells, Text(took, style="dim"))
        return grid


def over_rows(waiting: Waiting, rows: Iterable[ItemT], total: int, number: Callable[[ItemT], int]) -> Iterator[ItemT]:
    """The rows, while it is said by their numbers how far it is; the very same where nobody sees it."""
    return _numbered(waiting, rows, total, number) if waiting.draws else iter(rows)


def _numbered(waiting: Waiting, rows: Iterable[ItemT], total: int, number: Callable[[ItemT], int]) -> Iterator[ItemT]:
    waiting.total, waiting.done = total, 0
    for row in rows:
        waiting.done = number(row)
        yield row


def last_number(connection: sqlite3.Connection) -> int:
    """The number of a night's last row; 0 where it has none, or cannot be read."""
    import sqlite3

    try:
        return int(connection.execute("SELECT coalesce(max(id), 0) FROM story").fetchone()[0])
    except (sqlite3.Error, TypeError, ValueError, OverflowError):
        return 0


def number(written: tuple[int, int, object]) -> int:
    """The number of a row as a night's reader gives it."""
    return written[0]


def counts_rows(waiting: Waiting, connection: sqlite3.Connection) -> None:
    """From now on each row of a night that its connection gives is counted, whoever asks; nothing where nobody sees
    it."""
    if not waiting.draws:
        return
    import sqlite3

    try:
        (total,) = connection.execute("SELECT count(*) FROM story").fetchone()
    except sqlite3.Error:
        # Whoever reads it says what is wrong with it.
        return

    def one(_: sqlite3.Cursor, row: tuple[Any, ...]) -> tuple[Any, ...]:
        waiting.done += 1
        return row

    waiting.total, waiting.done = total, 0
    connection.row_factory = one


def _on_stderr() -> Console:
    from rich.console import Console

    class Steady(Console):
        """It leaves the cursor as it is: a process that is killed would leave none behind."""

        def show_cursor(self, show: bool = True) -> bool:
            return False

    return Steady(stderr=True, highlight=False)


def _live(console: Console, line: Callable[[], RenderableType]) -> Live:
    from rich.live import Live

    # What others print is theirs: they hide the line before.
    return Live(
        get_renderable=line,
        console=console,
        transient=True,
        auto_refresh=False,
        redirect_stdout=False,
        redirect_stderr=False,
    )
