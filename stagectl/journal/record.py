"""The record of the night that is being played: in memory before a byte leaves, on the disk by a thread of its own.

`write` is on the press path, and takes some microseconds: the lines go into the spool, which outlives this process, and
into a queue. `go` wakes the thread when the bytes have left, so that it takes no time away from them. Whatever the disk
does then, it does to the thread alone.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Final

from stagectl.errors import JournalError, NightInUse
from stagectl.journal.causes import cause
from stagectl.journal.claim import ClaimedError, running
from stagectl.journal.schema import LEFT_LENGTH, Night, Packed
from stagectl.journal.spool import Spool, Which, bring_home, which_night
from stagectl.journal.write import CATCH_UP_MAX, Connect, Journal, connect, open_again
from stagectl.story.entry import Heard
from stagectl.story.rows import Row

SYNC_S: Final = 1.0
"""Seconds between two times that the disk is made to keep what was written, and to write what it could not."""

CLOSE_S: Final = 10.0
"""Seconds that the end of the night waits for a disk that takes its time."""

QUEUE_MAX: Final = 20_000
"""Presses and other events that wait for the disk; beyond it the oldest are left to the spool, or, where that had no
room for everything, dropped and counted."""

NO_SPOOL: Final = "what is on its way into the journal would be lost if this process were killed"


class Recorder:
    """The record of a night. All but the thread's own part is used by one thread; no method raises after the making.

    `tell` is called on the recorder's thread with each new trouble, and with None when there is none any more.
    """

    def __init__(self, journal: Journal, spool: Spool | None, tell: Callable[[str | None], None]) -> None:
        self._journal = journal
        self._journal.spills = self._spill
        self._spool = spool
        self._spool_gone = False
        self._tell = tell
        self._queue: deque[Sequence[Packed]] = deque()
        self._dropped: deque[Packed] = deque()
        self._written = journal.last
        self._spooled = True
        self._told: str | None = None
        self._wake = threading.Event()
        self._over = False
        self._gap = spool is None
        """Whether some line was ever not in the spool."""
        self._spills = self._fetched = 0
        """How often lines were left to the spool alone, and how many of these times have been made up for."""
        self._in_hand = 0
        self._wall: int | None = None
        self._synced = time.monotonic()
        self._thread = threading.Thread(target=self._run, name="journal", daemon=True)
        self._thread.start()

    # -- the press path -----------------------------------------------------------------------------------

    def write(self, rows: Sequence[Row], wall_us: int, heard: Heard | None = None) -> int:
        """Record an event and the rows that were made of it, at the wall time `wall_us`, µs since 1970. Returns the
        number of the last line."""
        if self._wall is not None:
            wall_us = self._wall
        lines = self._journal.lines(rows, wall_us, heard)
        if lines:
            if self._spool is not None:
                if self._written == lines[0][0] - 1 and not self._spilt:  # type: ignore[operator]
                    self._spool.forget()
                self._spooled = self._spool.add(lines)
                self._gap = self._gap or not self._spooled
            self._put(lines)
        return self._journal.last

    def back_at(self, wall_us: int | None) -> None:
        """What is recorded from now on was so at the wall time `wall_us`, µs since 1970, whenever it is written; None:
        when it is."""
        self._wall = wall_us

    def left(self, number: int, took_ns: int) -> None:
        """The first byte for a press left, so long after it. `number`: that of the press's row."""
        self._put([(number, took_ns // 1_000)])

    def go(self) -> None:
        """The bytes have left: now the disk may have its turn."""
        if self._spool_gone:
            self._spool_again()
        if self._queue:
            self._wake.set()

    def _put(self, lines: Sequence[Packed]) -> None:
        self._queue.append(lines)
        if len(self._queue) > QUEUE_MAX:
            # The thread waits for the disk, and has waited for long. What the spool has is brought home in the end.
            with suppress(IndexError):
                lines = self._queue.popleft()
                if not self._spill():
                    self._dropped += lines

    def _spill(self) -> bool:
        """Leave lines to the spool alone, if it has them all."""
        if not self._gap:
            self._spills += 1
        return not self._gap

    def _spool_again(self) -> None:
        """The spool was taken away, as the end of the user's session may do: make it anew."""
        self._spool_gone = False
        if self._spool is None:
            return
        try:
            self._spool.again()
        except (OSError, ClaimedError) as error:
            self._spool, self._spooled, self._gap = None, False, True
            why = cause(error) if isinstance(error, OSError) else f"it is claimed by {error}"
            self._tell(f"{running()}: {why}: {NO_SPOOL}.")

    # -- the thread ---------------------------------------------------------------------------------------

    def _run(self) -> None:
        while not self._over or self._queue:
            if not self._queue:
                self._wake.wait(max(0.0, self._synced + SYNC_S - time.monotonic()))
            self._wake.clear()
            self._round()

    def _round(self) -> None:
        """What waits is written; once in SYNC_S the disk is made to keep it."""
        try:
            self._drain(self._synced + SYNC_S)
            if time.monotonic() >= self._synced + SYNC_S:
                self._synced = time.monotonic()
                if self._journal.held:
                    self._journal.retry()
                self._look()
                if self._spool is not None:
                    self._spool.live()
                if self._spilt and not self._queue and not self._journal.held:
                    self._fetch()
                self._journal.checkpoint()
            self._say()
        except Exception as error:  # noqa: BLE001 - whatever it stumbles over, it goes on
            self._tell(f"The journal {self.path}: {type(error).__name__}: {error}")

    def _drain(self, until: float) -> None:
        """What waits, in transactions that are not too long, but no longer than until it is time to sync."""
        while self._queue or self._dropped:
            self._journal.drop([self._dropped.popleft() for _ in range(len(self._dropped))])
            batch: list[Packed] = []
            while self._queue and len(batch) < CATCH_UP_MAX:
                with suppress(IndexError):
                    batch += self._queue.popleft()
            self._in_hand = len(batch)
            try:
                self._journal.put(batch)
            except Exception:
                self._journal.drop(batch)
                raise
            finally:
                self._in_hand = 0
            numbers = [line[0] for line in batch if len(line) != LEFT_LENGTH]
            if numbers and not self._journal.held:
                self._written = int(numbers[-1] or 0)
            if self._journal.trouble != self._told:
                self._say()
            if not self._over and time.monotonic() >= until:
                return

    @property
    def _spilt(self) -> bool:
        """Whether some lines are in the spool alone."""
        return self._spills != self._fetched

    def _fetch(self) -> None:
        """The disk is well again: what is in the spool alone comes to it now, so that the spool need not hold the rest
        of the night, too. What was there already is written again, which changes nothing."""
        spills = self._spills
        lines = [] if self._spool is None else self._spool.lines()
        for at in range(0, len(lines), CATCH_UP_MAX):
            self._journal.put(lines[at : at + CATCH_UP_MAX])
            if self._journal.held:
                return
        self._fetched = spills

    def _look(self) -> None:
        """Whether the journal and the spool are still there."""
        taken = self._journal.look()
        if taken is not None:
            self._tell(taken)
        spool = self._spool
        self._spool_gone = spool is not None and spool.gone

    def _say(self) -> None:
        trouble = self.trouble
        if trouble != self._told:
            self._told = trouble
            self._tell(trouble)

    # -- for everybody ------------------------------------------------------------------------------------

    @property
    def path(self) -> Path:
        """Where the journal is."""
        return self._journal.path

    @property
    def trouble(self) -> str | None:
        """What is the matter, as a sentence; None when all is well."""
        if self._journal.trouble is None and not self._spooled:
            return f"{running()} has no room: {NO_SPOOL}."
        return self._journal.trouble

    @property
    def unwritten(self) -> int:
        """Lines that are not in the file, or never will be."""
        waits = sum(map(len, self._queue)) + self._in_hand + len(self._dropped)
        return self._journal.held + self._journal.lost + waits

    def close(self) -> None:
        """Write what waits, if it can be, and leave one file that holds everything."""
        if self._over:
            return
        self._over = True
        self._wake.set()
        self._thread.join(CLOSE_S)
        late = self._thread.is_alive()
        if not late:
            self._look()
            self._journal.close()
        if self._spool_gone:
            self._spool_again()
        if self._spool is not None:
            # What never got to the disk stays where the next one to open the journal finds it.
            self._spool.close(keep=late or self._journal.held > 0 or self._spilt)
            if self._spilt and not late:
                bring_home(self.path)


def begin(path: Path, night: Night, tell: Callable[[str | None], None], *, connect: Connect = connect) -> Recorder:
    """The record of a new night at `path`, making its folder. Raises JournalError where `path` is taken or cannot be
    written; then it leaves no new file."""
    journal = Journal.create(path, night, connect=connect)
    return Recorder(journal, _spool(path, Which(night.begun_us, night.zero), tell), tell)


def go_on(path: Path, files: Mapping[str, bytes] | None, tell: Callable[[str | None], None]) -> Recorder:
    """The record of a night that is taken up again. `files`: as for `open_again`. Raises JournalError where another
    process writes it, or it cannot be written; then it is as it was."""
    trouble = bring_home(path)
    if trouble is not None:
        raise JournalError(f"The journal {path} cannot be written on: {trouble}.")
    night = which_night(path)
    if night is None:
        raise JournalError(f"The journal {path} cannot be written on: it does not say which night it is of.")
    spool = _spool(path, night, tell)
    try:
        return Recorder(open_again(path, files=files), spool, tell)
    except BaseException:
        if spool is not None:
            spool.close()
        raise


def _spool(path: Path, night: Which, tell: Callable[[str | None], None]) -> Spool | None:
    """The file in memory for the journal of a night; where there can be none, that is told. Raises NightInUse."""
    try:
        spool = Spool(path, night)
        spool.begin()
        return spool
    except ClaimedError as error:
        raise NightInUse(f"the journal {path} is being written by {error}") from error
    except OSError as error:
        tell(f"{running()}: {cause(error)}: {NO_SPOOL}.")
        return None
