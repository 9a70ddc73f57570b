"""The program's end of the page: it keeps the process that serves it, gives it boards, and hears what its clients want.

The process is another one so that no client can hold up a press, and so that its libraries cost the program nothing. It
is started again when it ended by itself, for as long as the night lasts, at the port that it had, so that clients find
it again. It ends with the program in every case, since its standard input then ends. In a session of its own, Ctrl-C at
a terminal does not reach it.
"""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, Final

from stagectl.view.lines import BOARD_NAME, BOARDS_MAX, LINE_MAX, Open, line, next_line, parsed

AGAIN_S: Final = 1.0
AGAIN_MAX_S: Final = 16.0
"""How long after its end the process is started again, s; longer and longer where it did not come at all."""

ENDS_S: Final = 1.0
"""How long it has for its end before it is killed, s."""

WAITING_MAX: Final = 1_000_000
"""Bytes that may wait for the pipe. Above it boards are kept back: only the last of each goes, once there is room."""

LOOK_S: Final = 0.02
"""How soon it is looked again whether there is room, s."""

COMMAND: Final = (sys.executable, "-m", "stagectl.view.process")


@dataclass(frozen=True, kw_only=True)
class PageHeard:
    """What the page has to say, each called in the loop's thread.

    `changed`: whether it is here, and where (its address) or why not, said once for each coming and going. `want`: what
    somebody asks for; a flat object that has passed every guard, but whose meaning nobody has looked at. `clients`: how
    many are open. `trouble`: anything else worth telling.
    """

    changed: Callable[[bool, str], None]
    want: Callable[[dict[str, Any]], None]
    clients: Callable[[int], None]
    trouble: Callable[[str], None]


class Page:
    """The page, made in the loop. `put` never blocks; what goes wrong is said, and ends nothing."""

    def __init__(self, open_: Open, heard: PageHeard) -> None:
        self.here = False
        self.url: str | None = None
        """Its address without a key, once it is here."""
        self._open = open_
        self._heard = heard
        self._boards: dict[str, bytes] = {}
        self._waiting: dict[str, None] = {}
        """Boards that have not been given yet, in the order in which they became so."""
        self._look: asyncio.TimerHandle | None = None
        self._pipe: asyncio.StreamWriter | None = None
        self._why: str | None = None
        self._closed = self._came = False
        self._told: set[str] = set()

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
        self._closed = True
        self.here = False
        if self._look is not None:
            self._look.cancel()
        if self._pipe is not None and not self._pipe.is_closing():
            self._pipe.write(line({"gone": why}))
            self._pipe.close()

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

    # -- its process ------------------------------------------------------------------------------------------

    async def forever(self) -> None:
        """Keep the process, until `close`, or until cancelled."""
        wait_s = AGAIN_S
        while not self._closed:
            self._came = False
            await self._live()
            # One that never came is looked for less and less often: each try loads its libraries anew.
            wait_s = AGAIN_S if self._came else min(2 * wait_s, AGAIN_MAX_S)
            if not self._closed:
                await asyncio.sleep(wait_s)

    async def _live(self) -> None:
        """One life of the process."""
        try:
            process = await asyncio.create_subprocess_exec(
                *COMMAND,
                stdin=asyncio.subprocess.PIPE,
                stdout=asyncio.subprocess.PIPE,
                stderr=asyncio.subprocess.DEVNULL,
                limit=LINE_MAX,
                start_new_session=True,
            )
        except OSError as error:
            self._went(f"the page cannot be served: {error.strerror}")
            return
        assert process.stdin is not None
        assert process.stdout is not None
        self._pipe, reason = process.stdin, None
        try:
            if self._closed:
                # It was over before it had begun.
                return
            # Keys go through the pipe: command lines can be read by everybody on this machine.
            process.stdin.write(line({"open": self._open._asdict()}))
            while text := await next_line(process.stdout):
                try:
                    told = parsed(text) or {}
                    if told.get("is") == "failed":
                        reason = str(told["text"])
                    else:
                        self._hear(told)
                except Exception as error:  # noqa: BLE001 - what one line meets ends no page
                    self._say_once(f"the page's process said something odd: {type(error).__name__}: {error}")
        finally:
            self._pipe = None
            await _ended(process)
            if not self._closed:
                self._went(reason or f"the page's process has ended ({process.returncode})")

    def _went(self, reason: str) -> None:
        """The process is gone, or could not come. It is said once, until it is here again."""
        was_here, self.here = self.here, False
        if was_here or reason != self._why:
            self._why = reason
            self._heard.changed(False, reason)

    def _hear(self, told: dict[str, Any]) -> None:
        match told.get("is"):
            case "here":
                self.here, self._came, self._why = True, True, None
                self.url = str(told["url"])
                # Where any port was good, the next life has to be found at the same one.
                self._open = self._open._replace(port=int(told["port"]))
                self._told.clear()
                self._waiting = dict.fromkeys(self._boards)
                self._heard.changed(True, self.url)
                self._give()
            case "clients":
                self._heard.clients(int(told["count"]))
            case "want" if isinstance(told["want"], dict):
                self._heard.want(told["want"])
            case "trouble":
                self._heard.trouble(str(told["text"]))

    def _say_once(self, sentence: str) -> None:
        if sentence not in self._told:
            self._told.add(sentence)
            self._heard.trouble(sentence)


async def _ended(process: asyncio.subprocess.Process) -> None:
    """Let the process end, or make it."""
    assert process.stdin is not None
    process.stdin.close()
    try:
        await asyncio.wait_for(process.wait(), ENDS_S)
    except TimeoutError:
        with suppress(ProcessLookupError):
            process.kill()
        await process.wait()
