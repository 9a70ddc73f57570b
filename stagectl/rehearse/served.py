"""The rehearsal in a browser: the room by the real clock, its boards on the page, and what is asked for there.

All of it runs in one loop's thread but two things, which may take long: reading edited files, and the last night's
journal. They run beside it, so that a press is heard meanwhile.
"""

from __future__ import annotations

import asyncio
import sys
import time
from collections.abc import Callable, Coroutine, Iterable, Sequence
from contextlib import suppress
from typing import Any, Final, NamedTuple, TypeAlias

from stagectl.errors import DeviceError, FileFaults, StagectlError
from stagectl.live.loop import set_by_signals
from stagectl.live.page_keys import new_key
from stagectl.rehearse.boards import Boards
from stagectl.rehearse.carry import carry
from stagectl.rehearse.drive import Drive
from stagectl.rehearse.last import Night, find
from stagectl.rehearse.room import Moment, Room, Timed
from stagectl.rehearse.wants import ask
from stagectl.show.compile import Compiled
from stagectl.show.edits import Edits, Look, look
from stagectl.show.load import Show
from stagectl.view.client import Page, PageHeard
from stagectl.view.guard import is_loopback
from stagectl.view.lines import Open
from stagectl.view.qr import told_address

EVERY_S: Final = 0.04
"""The least time between two making of boards, s."""

SOON_S: Final = 0.001
"""How soon after something has happened they are made, s."""

BEAT_S: Final = 1.0
"""How often is looked whether time alone has changed one, s."""

FILES_S: Final = 0.5
"""How often the files are looked at, s."""

FOOT_S: Final = 5.0
"""How long edited files wait for a foot to leave its control, s."""

FAULTS_SHOWN: Final = 12
"""Faults of edited files that are shown; more are counted."""

LAST_NIGHT: Final = "replay last night"
"""What is asked for to play the last night."""

EXPLAIN: Final = "explain"
"""What is asked for to know why a level is what it is."""

Files: TypeAlias = tuple[Show, Compiled]
Say: TypeAlias = Callable[[Sequence[str]], None]


class Rehearsed(NamedTuple):
    """What is rehearsed. `read`: reads the show's files anew, and raises what is wrong with them; `script`: presses
    that come by themselves, and what they are called."""

    show: Show
    compiled: Compiled
    venue: str | None
    read: Callable[[], Files]
    script: tuple[str, Iterable[Timed]] | None = None


class Served:
    """A rehearsal on a page, made in the loop. `say`, `warn`: take lines for the terminal."""

    def __init__(self, what: Rehearsed, open_: Open, say: Say, warn: Callable[[str], None]) -> None:
        self._loop = asyncio.get_running_loop()
        self._what, self._open, self._say, self._warn = what, open_, say, warn
        self._boards = Boards(what.show, what.compiled, what.venue)
        self._seen: list[Moment] = []
        self.drive = Drive(Room(what.show, what.compiled), time.monotonic_ns(), self._seen.extend, time.monotonic_ns)
        self._due: asyncio.TimerHandle | None = None
        self._making: asyncio.TimerHandle | None = None
        self._made_at = 0.0
        self._waits: asyncio.Future[None] | None = None
        self._beside: asyncio.Task[None] | None = None
        self._stop = asyncio.Event()
        self._was_here = False
        self._failed: str | None = None
        heard = PageHeard(changed=self._changed, want=self.want, late=self._late, clients=self._clients, trouble=warn)
        self.page = Page(open_, heard)
        self._put_static()
        self._put_files(None)
        if what.script is not None:
            self.drive.play(time.monotonic_ns(), *what.script)
        self._after()

    # -- time ---------------------------------------------------------------------------------------------------

    async def play(self, stop: asyncio.Event) -> None:
        """Rehearse until `stop` is set. Raises DeviceError where the page cannot be served."""
        self._stop = stop
        chores: list[Coroutine[Any, Any, None]] = [self.page.forever(), self._watch_files(), self._beat()]
        tasks = [asyncio.ensure_future(chore) for chore in chores]
        try:
            ends = asyncio.ensure_future(stop.wait())
            done, _ = await asyncio.wait([ends, *tasks], return_when=asyncio.FIRST_COMPLETED)
            for task in done - {ends}:
                task.result()
        finally:
            self.page.close("the rehearsal is over")
            for handle in (self._due, self._making):
                if handle is not None:
                    handle.cancel()
            # The page's process says that it is over; nothing else has anything to finish.
            for task in [*tasks[1:], ends, *([self._beside] if self._beside is not None else [])]:
                task.cancel()
            await asyncio.gather(*tasks, ends, return_exceptions=True)
        if self._failed is not None:
            raise DeviceError(self._failed)

    def _go_on(self) -> None:
        """Something has come due."""
        self._due = None
        self.drive.go_on(time.monotonic_ns())
        self._after()

    def _after(self) -> None:
        """Something has happened, or may have: boards are made soon, and the next thing that is due is waited for."""
        drive = self.drive
        self._hear()
        if self._waits is not None and not drive.down and not self._waits.done():
            self._waits.set_result(None)
        if self._due is not None:
            self._due.cancel()
            self._due = None
        due = drive.due()
        if due is not None:
            # The loop's clock is the monotonic clock, in seconds.
            self._due = self._loop.call_at(due / 1e9, self._go_on)
        if self._making is None:
            self._making = self._loop.call_at(max(self._loop.time() + SOON_S, self._made_at + EVERY_S), self._make)

    def _hear(self) -> None:
        """The boards hear what has happened."""
        drive, seen = self.drive, self._seen[:]
        self._seen.clear()
        self._boards.hear(seen, drive.room.state)

    def _make(self) -> None:
        self._making, self._made_at = None, self._loop.time()
        for name, board in self._boards.changed(self.drive, time.monotonic_ns(), _wall_ms()):
            self.page.put(name, dict(board))

    async def _beat(self) -> None:
        while True:
            await asyncio.sleep(BEAT_S)
            self._after()

    # -- what is asked for --------------------------------------------------------------------------------------

    def want(self, want: dict[str, Any]) -> None:
        """Somebody asks for something on the page."""
        real = time.monotonic_ns()
        try:
            if want.get("do") == LAST_NIGHT:
                self._replay()
            elif want.get("do") == EXPLAIN:
                self.page.put("why", self._boards.why(want, self.drive.room.state, _wall_ms()))
            else:
                ask(self.drive, want, real)
        except ValueError as error:
            self._tell(f"the page asked for what cannot be done: {error}")
        self._after()

    def _late(self, want: dict[str, Any], ago_s: float) -> None:
        """What was asked for while the rehearsal stood still. A foot may have left its control meanwhile: all count as
        unplugged, so that nothing fires."""
        if self.drive.down:
            self.drive.let_go(time.monotonic_ns())
        self._tell(f"the page asked for `{want.get('do')}` {ago_s:.1f} s ago: it came too late, and is not done")

    def _tell(self, sentence: str) -> None:
        """Tell on the page what is no part of the night, behind all that has happened until now."""
        real = time.monotonic_ns()
        self.drive.go_on(real)
        self._hear()
        self._boards.say(self.drive.now(real), sentence)
        self._after()

    def _clients(self, count: int) -> None:
        if count == 0 and self.drive.down:
            self.drive.let_go(time.monotonic_ns())
        self._after()

    def _changed(self, here: bool, text: str) -> None:
        if here and self._was_here:
            self._say([f"the page is served again at {text}"])
        elif here:
            self._was_here = True
            self._say(address_lines(text, self._open, at_terminal=sys.stdout.isatty()))
        elif self._was_here:
            self._warn(text)
        else:
            # A rehearsal on a page that there is not is none.
            self._failed = text
            self._stop.set()

    # -- the last night -----------------------------------------------------------------------------------------

    def _replay(self) -> None:
        if self._beside is not None and not self._beside.done():
            self._tell("the last night is being read already")
            return
        self._tell("the last night is being read")
        self._beside = self._loop.create_task(self._read_night())

    async def _read_night(self) -> None:
        show, plan, warned = self._what.show, self.drive.room.plan, list[str]()
        try:
            night: Night = await asyncio.to_thread(find, show, plan, warned.append)
        except StagectlError as error:
            self._tell(f"the last night cannot be played: {error}")
            return
        if self.drive.room.plan is not plan:
            self._tell("the files were edited while the last night was read: ask for it again")
            return
        self.drive.go_on(time.monotonic_ns())
        self._after()
        room = Room(show, self._what.compiled)
        self._boards = Boards(show, self._what.compiled, self._what.venue)
        # The night begins anew: this is the first that is told of it.
        self._boards.say(0, night.said)
        self.drive.play(time.monotonic_ns(), night.name, night.presses, anew=room)
        self._after()

    # -- edited files -------------------------------------------------------------------------------------------

    async def _watch_files(self) -> None:
        """Look at the files that the show was read from last, sound or not, and at the folder's other ones that it
        might name; take them up when they were saved."""
        named = set(self._what.show.files)
        edits = Edits(self._look(named))
        while True:
            await asyncio.sleep(FILES_S)
            if not edits.are_new(self._look(named)):
                continue
            try:
                show, compiled = await asyncio.to_thread(self._what.read)
            except FileFaults as error:
                named = {*self._what.show.files, *(fault.file for fault in error.faults)}
                self._put_files(error)
                continue
            except Exception as error:  # noqa: BLE001 - what edited files meet ends no rehearsal
                self._put_files(error)
                continue
            if [*show.files.items()] == [*self._what.show.files.items()]:
                self._put_files(None)
                continue
            named = set(show.files)
            await self._feet_off()
            self._take(show, compiled)

    def _look(self, named: Iterable[str]) -> Look:
        return look(named, self._what.show.folder)

    async def _feet_off(self) -> None:
        """Wait until no foot is on a control; not for ever."""
        if self.drive.down:
            self._waits = self._loop.create_future()
            with suppress(TimeoutError):
                await asyncio.wait_for(self._waits, FOOT_S)
            self._waits = None

    def _take(self, show: Show, compiled: Compiled) -> None:
        """The night goes on by edited files."""
        real = time.monotonic_ns()
        self.drive.go_on(real, whole=True)
        self._hear()
        at = self.drive.now(real)
        carried = carry(self.drive.room, show, compiled, at)
        boards = Boards(show, compiled, self._what.venue)
        boards.go_on_from(self._boards, carried.room.state)
        self._boards = boards
        self._what = self._what._replace(show=show, compiled=compiled)
        self.drive.take(real, carried.room)
        for sentence in ("the edited files are in force", *carried.said):
            boards.say(at, sentence)
        self._seen.extend(carried.moments)
        self._put_static()
        self._put_files(None)
        self._after()

    def _put_static(self) -> None:
        try:
            for name, board in self._boards.static(_wall_ms()):
                self.page.put(name, board)
        except Exception as error:  # noqa: BLE001 - a board that cannot be made ends no rehearsal
            self._warn(f"the page: {type(error).__name__}: {error}")

    def _put_files(self, error: Exception | None) -> None:
        """Say whether the files are sound; what is wrong with them, with file and line."""
        faults, text = [], ""
        if isinstance(error, FileFaults):
            faults = [
                {"place": f"{fault.file}:{fault.line}" if fault.line else fault.file, "text": fault.text}
                for fault in error.faults
            ]
        elif error is not None:
            text = f"{error}" or type(error).__name__
        names = [name.rpartition("/")[2] for name in self._what.show.files]
        board = {"now": _wall_ms(), "sound": error is None, "faults": faults[:FAULTS_SHOWN], "text": text}
        self.page.put("files", {**board, "more": max(0, len(faults) - FAULTS_SHOWN), "names": names})


def opened(host: str, port: int, title: str) -> Open:
    """How the page of a rehearsal is served: it may be controlled by whoever has the address that is printed; beyond
    this machine it cannot be read without it either."""
    key = new_key()
    return Open(host, port, title, "rehearsal", None if is_loopback(host) else key, key)


def address_lines(url: str, open_: Open, *, at_terminal: bool) -> list[str]:
    """What is printed when the page is here: its address with the key; with a code for a camera, where a terminal can
    show it and more than this machine can reach it."""
    far = open_.read_key is not None
    return told_address("rehearsal", f"{url}room?key={open_.control_key}", coded=at_terminal and far)


def _wall_ms() -> int:
    return time.time_ns() // 1_000_000


async def serve(what: Rehearsed, open_: Open, say: Say, warn: Callable[[str], None]) -> None:
    """Rehearse on a page until SIGINT or SIGTERM."""
    stop = asyncio.Event()
    set_by_signals(stop)
    await Served(what, open_, say, warn).play(stop)
