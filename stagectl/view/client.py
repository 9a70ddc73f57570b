"""The program's end of the page: it keeps the process that serves it, gives it boards, and hears what its clients want.

The process is another one so that no client can hold up a press, and so that its libraries cost the program nothing.
`apart/kept.py` keeps it; it is started again at the port that it had, so that clients find it again.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from stagectl.apart.kept import Kept, Program
from stagectl.apart.pipes import parsed
from stagectl.view.lines import BEAT_S, BOARD_NAME, BOARDS_MAX, LATE_S, LINE_MAX, Open, line

PROGRAM: Final = Program(
    module="stagectl.view.process",
    name="the page's process",
    cannot="the page cannot be served",
    line_max=LINE_MAX,
    again_s=1.0,
    ends_s=1.0,
)

WAITING_MAX: Final = 1_000_000
"""Bytes that may wait for the pipe. Above it boards are kept back: only the last of each goes, once there is room."""

LOOK_S: Final = 0.02
"""How soon it is looked again whether there is room, s."""


@dataclass(frozen=True, kw_only=True)
class PageHeard:
    """What the page has to say, each called in the loop's thread.

    `changed`: whether it is here, and where (its address) or why not, said once for each coming and going. `want`: what
    somebody asks for; a flat object that has passed every guard, but whose meaning nobody has looked at. `late`: what
    somebody asked for so long ago that it is not done any more, and how long, s. `clients`: how many are open.
    `trouble`: anything else worth telling.
    """

    changed: Callable[[bool, str], None]
    want: Callable[[dict[str, Any]], None]
    late: Callable[[dict[str, Any], float], None]
    clients: Callable[[int], None]
    trouble: Callable[[str], None]


class Page(Kept):
    """The page, made in the loop. `put` never blocks; what goes wrong is said, and ends nothing."""

    def __init__(self, open_: Open, heard: PageHeard) -> None:
        super().__init__(PROGRAM, heard.changed, heard.trouble)
        self.url: str | None = None
        """Its address without a key, once it is here."""
        self._open = open_
        self._heard = heard
        self._boards: dict[str, bytes] = {}
        self._waiting: dict[str, None] = {}
        """Boards that have not been given yet, in the order in which they became so."""
        self._look: asyncio.TimerHandle | None = None
        self._heart: asyncio.TimerHandle | None = None

    def put(self, board: str, is_: Mapping[str, object]) -> None:
        """Show a board anew, whole. Raises ValueError where its name is none, it is too long, or it is one too many."""
        if not BOARD_NAME.fullmatch(board):
            raise ValueError(f"`{board}` is no name of a board: up to 31 small letters and spaces")
        if board not in self._boards and len(self._boards) >= BOARDS_MAX:
            raise ValueError(f"`{board}` is one board too many: there are {BOARDS_MAX}")
        self._boards[board] = line({"board": board, "is": is_})
        self._waiting[board] = None
        self._give()

    def close(self, why: str) -> None:
        """It is over: clients are told why. `forever` then returns."""
        if self._look is not None:
            self._look.cancel()
        self._still()
        self._close(line({"gone": why}))

    def _give(self) -> None:
        """Give what waits, as far as there is room."""
        if self._look is not None:
            self._look.cancel()
            self._look = None
        pipe = self._pipe
        if not self.here or pipe is None or pipe.is_closing():
            return
        while self._waiting:
            if pipe.transport.get_write_buffer_size() > WAITING_MAX:
                self._look = asyncio.get_running_loop().call_later(LOOK_S, self._give)
                return
            board = next(iter(self._waiting))
            del self._waiting[board]
            pipe.write(self._boards[board])

    def _beat(self) -> None:
        """The heart: it beats in the program's loop, so that it stands still where that does."""
        pipe = self._pipe
        if pipe is not None and not pipe.is_closing() and pipe.transport.get_write_buffer_size() <= WAITING_MAX:
            pipe.write(line({"beat": time.monotonic_ns()}))
        self._heart = asyncio.get_running_loop().call_later(BEAT_S, self._beat)

    def _still(self) -> None:
        if self._heart is not None:
            self._heart.cancel()
            self._heart = None

    # -- its process ------------------------------------------------------------------------------------------

    def _gone(self, reason: str) -> None:
        self._still()

    def _first(self) -> bytes:
        return line({"open": self._open._asdict()})

    def _hear(self, text: bytes) -> None:
        told = parsed(text) or {}
        match told.get("is"):
            case "here":
                self.url = str(told["url"])
                # Where any port was good, the next life has to be found at the same one.
                self._open = self._open._replace(port=int(told["port"]))
                self._waiting = dict.fromkeys(self._boards)
                self._is_here(self.url)
                self._still()
                self._beat()
                self._give()
            case "clients":
                self._heard.clients(int(told["count"]))
            case "want" if isinstance(told["want"], dict):
                ago_s = (time.monotonic_ns() - int(told["at"])) / 1e9
                if ago_s > LATE_S:
                    self._heard.late(told["want"], ago_s)
                else:
                    self._heard.want(told["want"])
            case "trouble":
                self._heard.trouble(str(told["text"]))
            case "failed":
                self._reason = str(told["text"])
