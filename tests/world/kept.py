"""Rules 4, 5 and 10 where they are about the journal: what was kept, by when, and what becomes of it."""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NamedTuple

from stagectl.core.effects import Changed
from stagectl.core.events import Wake
from stagectl.core.plan import Plan
from stagectl.core.state import State, begin
from stagectl.core.step import step
from stagectl.story.entry import Heard
from stagectl.story.heard import KINDS, event
from stagectl.story.rows import Teller

from .clock import SECOND
from .disk import last_line
from .inputs import Broken

if TYPE_CHECKING:
    from .night import World

NOT_OF_THE_CORE: Final = ("reminder", "trouble", "count", "end", "resumed")
HEARD_LENGTH: Final = 7

ANEW_NS: Final = 3 * SECOND
"""How long it may take until a journal that was deleted is there again, ns."""

ANEW_MAX: Final = 3
"""How often in the life of a process that is done."""

TAIL_BYTES: Final = 4_096
"""So much of the spool's end is looked at first: most steps need no more."""

CAME: Final = "SELECT id, at, kind, one, two, three, said FROM heard WHERE id > ? ORDER BY id"
TOLD: Final = (
    "SELECT kind, at, press, who, what, listener, input, level_before, level_after, detail FROM story "
    "WHERE id > ? AND kind NOT IN (?, ?, ?, ?, ?) AND NOT (kind = 'change' AND what = 'edit') "
    "AND NOT (kind = 'link' AND who = 'journal' AND what LIKE 'missing %') ORDER BY id"
)


class From(NamedTuple):
    """Where playing the night again begins: what is behind it has to be in the journal, line by line. `line`: the last
    one before; `plan`, `state`: as they were then; `zero`: what counted as the night's beginning, ns."""

    line: int
    plan: Plan
    state: State
    zero: int


class Kept:
    """What of a night is in its journal.

    All of it is played again at its end, but where that cannot be: then only what comes after.

    - After an edit of the files: from the first process on that plays the new ones. What that one makes of the night so
      far, by names, is not judged here; of the levels at its restart, those are that hands have left in other mixes
      than the edit is about (`desk_side.py`).
    - After a journal was deleted, nothing is left out where the recorder has written it anew. Where the process, or the
      power, was gone before that: the night begins with the new journal, and there is nothing else left to be judged.
    - After there was no room on the disk and in memory at once, nothing is left out where it was written in the end.
      Where the process was gone before that, with lines in its own memory alone: from the next one on. What that one
      has lost, and that it is no more than these lines, is not judged, and neither are the levels at its restart.
    - After a power cut that took lines of the process before, where the night began anew: from the new one on.
    """

    def __init__(self, world: World) -> None:
        self.world = world
        self.edited = False
        """Whether the next process will play other files."""
        self.taken = False
        """Whether the journal was deleted, and is not written anew yet."""
        self.lost = False
        """Whether lines were lost with a process, which were nowhere else."""
        self.whole = True
        """Whether nothing was missing when the night was taken up last."""
        self.other_files = False
        """Whether nothing was missing then, and other files are played than before."""
        self.again = 0
        """Events of the night that were played again at its end."""
        self._room = True
        """Whether every line was in memory that outlives the process, or on the disk, since it last was."""
        self._from: From | None = None
        self._wishes: list[tuple[int, Any]] = []
        """What was asked for, by the number of the last line then."""
        self._event: tuple[int, int] | None = None
        self._changes = 0
        self._told = False
        self._left: Any = None
        self._power = False
        self._state: State | None = None
        self._zero = 0
        self._file: tuple[int, int, int] | None = None
        self._taken_at = self._times = 0

    # -- what is done to it -----------------------------------------------------------------------------------

    def no_room(self) -> None:
        """From now on lines may be in the process's own memory alone."""
        self._room = False

    def deleted(self) -> None:
        """The journal is gone."""
        self.taken, self._taken_at, self._times = True, self.world.clock.world, self._times + 1

    def settled(self) -> None:
        """Nothing has happened for long: a journal that was deleted is there again, but where that was done once too
        often, or there is no room for it."""
        if self.taken and not self.world.disk.path.exists():
            long = self.world.clock.world - self._taken_at > ANEW_NS
            if long and self._times <= ANEW_MAX and not self.world.disk.full and self.world.life is not None:
                raise Broken(4, "the journal was deleted, and is not written anew")

    def written(self) -> None:
        """The recorder has had its turn."""
        if self._room and not self.taken:
            return
        recorder = self.world.recorder
        if self.taken and self.world.disk.path.exists():
            self.taken = False
        if not self._room and not self.world.disk.memory_full and recorder is not None and recorder.unwritten == 0:
            self._room = True

    # -- before the first byte --------------------------------------------------------------------------------

    def stepped(self, what: Any, after: State, effects: Any) -> None:
        """The core has taken a step, and nothing of it is kept yet."""
        self._note()
        self._state = after
        life = self.world.life
        zero = life.daemon.zero if life is not None and life.daemon is not None else 0
        self._zero = zero
        self._event = None if isinstance(what, Wake) else (KINDS.index(type(what)), after.now - zero)
        self._changes = sum(len(one.moves) for one in effects if isinstance(one, Changed))
        self._told = False

    def _note(self) -> None:
        """By now the step before is kept."""
        recorder = self.world.recorder
        if self._state is not None and recorder is not None:
            last = recorder._journal.last
            if self._wishes and self._wishes[-1][0] == last:
                self._wishes[-1] = (last, self._state.wishes)
            else:
                self._wishes.append((last, self._state.wishes))

    def leaves(self) -> None:
        """Bytes that change a level leave: what brought them is in memory that outlives the process."""
        if self._told:
            return
        self._told = True
        recorder = self.world.recorder
        spool = recorder._spool
        if spool is None or self.world.disk.memory_full:
            return
        lines = self._tail(spool._claim.path)
        if self._event is not None and not any(
            len(line) == HEARD_LENGTH and (line[2], line[1]) == self._event for line in lines
        ):
            raise Broken(4, f"bytes leave, and what came in at {self._event[1]} ns is not in the journal")
        changes = _changes_in(lines)
        if changes < self._changes:
            raise Broken(4, f"bytes leave for {self._changes} changes, {changes} are in the journal")

    def _tail(self, path: Path) -> list[Any]:
        """The last lines of what is on its way, from the last one on that came in; where nothing did, as many as hold
        what was changed: what could not be told to one wire is kept before bytes leave on the next."""
        for size in (TAIL_BYTES, 16 * TAIL_BYTES):
            out: list[Any] = []
            for line in reversed(self._end_of(path, size).split(b"\n")[:-1]):
                try:
                    out += json.loads(line)
                except ValueError:
                    break
                if self._event is None:
                    if _changes_in(out) >= self._changes:
                        return out
                elif any(len(one) == HEARD_LENGTH for one in out):
                    return out
        return out

    def _end_of(self, path: Path, size: int) -> bytes:
        """The last bytes of a file, which stays open until another one has its name."""
        found = path.stat()
        if self._file is None or self._file[:2] != (found.st_dev, found.st_ino):
            self.close()
            self._file = (found.st_dev, found.st_ino, os.open(path, os.O_RDONLY | os.O_CLOEXEC))
        return os.pread(self._file[2], size, max(0, found.st_size - size))

    def close(self) -> None:
        """Look at no file any more."""
        if self._file is not None:
            os.close(self._file[2])
            self._file = None

    # -- a process ends ---------------------------------------------------------------------------------------

    def killed(self, daemon: Any, power: bool) -> None:
        """It has no time for anything any more."""
        self._note()
        self._power = power
        self._left = daemon.night.state
        recorder = self.world.recorder
        in_memory = recorder is None or not self._room or recorder._spool is None
        self.lost = in_memory and (recorder is None or recorder.unwritten > 0)

    def taken_up(self, daemon: Any) -> None:
        """A process has begun, and has a state."""
        left, self._left = self._left, None
        was, zero = self._from, daemon.zero
        edited, taken, lost = self.edited, self.taken, self.lost
        self.edited = self.taken = self.lost = False
        self._times = 0
        self._state, self.whole, self.other_files = None, True, False
        now = daemon.night.state
        if daemon.taken_up is None:
            self._begins_anew(left, now, daemon, excused=taken or lost)
            return
        line = last_line(self.world.disk.path)
        if self._power and line < self.world.disk.safe:
            raise Broken(4, f"line {self.world.disk.safe} was safe on the disk, and only {line} are there")
        behind = was is not None and was.line > line
        if edited or lost or behind or (was is not None and was.line and was.zero != zero):
            # What is held by times of a clock that has begun anew, or by lines that are gone, is held anew.
            self._from = From(line, daemon.night.plan, now, zero)
        if edited or lost or left is None:
            self._wishes, self.whole = [(line, now.wishes)], False
            self.other_files = edited and not (lost or taken or self._power or left is None)
        elif not self._power:
            if now.wishes != left.wishes:
                raise Broken(10, f"the night is at {now.wishes}, and was at {left.wishes}")
        else:
            found = [wishes for last, wishes in self._wishes if last <= line]
            self._wishes = [one for one in self._wishes if one[0] <= line]
            self.whole = bool(found) and found[-1] == left.wishes
            if found and now.wishes != found[-1]:
                raise Broken(
                    10, f"the journal has {line} lines, and then the night was at {found[-1]}; it is at {now.wishes}"
                )

    def _begins_anew(self, left: Any, now: State, daemon: Any, *, excused: bool) -> None:
        """There was no night to be taken up, or a new one is begun."""
        if left is not None and not excused and not (self._power and not self.world.disk.safe):
            raise Broken(10, "the night was not taken up again")
        self._wishes, self.whole, self.world.disk.safe = [], left is None, 0
        self._from = From(0, daemon.night.plan, now, daemon.zero)
        self.world.rules.meaning.begun_anew()

    # -- a night is over --------------------------------------------------------------------------------------

    def end(self) -> None:
        """Play it again by what a plain SQLite reader finds."""
        path, first = self.world.disk.path, self._from
        if self.taken or not path.exists() or self._state is None or first is None:
            return
        with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as journal:
            (sound,) = journal.execute("PRAGMA integrity_check").fetchone()
            if sound != "ok":
                raise Broken(4, f"the journal is damaged: {sound}")
            came = journal.execute(CAME, (first.line,)).fetchall()
            told = journal.execute(TOLD, (first.line, *NOT_OF_THE_CORE)).fetchall()
            self.world.rules.meaning.end(journal)
        plan, state, zero = first.plan, first.state, self._zero
        if not first.line:
            state = begin(plan, zero)
        teller, rows = Teller(plan, zero), list[Any]()
        for _, *fields in came:
            kept = Heard(*fields)
            state, effects = step(plan, state, event(kept), zero + kept.at)
            rows += teller.rows(effects)
        state, effects = step(plan, state, Wake(), self._state.now)
        rows += teller.rows(effects)
        self.again = len(came)
        again = [
            (
                row.kind, row.at, row.press, row.who, row.what, row.listener, row.input,
                _plain(row.before), _plain(row.after), row.detail,
            )
            for row in rows
        ]  # fmt: skip
        if again != told:
            at = next((at for at, (one, other) in enumerate(zip(again, told, strict=False)) if one != other), None)
            here = f"{len(again)} rows, not {len(told)}" if at is None else f"{again[at]}, not {told[at]}"
            raise Broken(5, f"played again it differs: {here}")
        if state != self._state:
            fields_ = [name for name in State.__struct_fields__ if getattr(state, name) != getattr(self._state, name)]
            raise Broken(5, f"played again the state differs in {', '.join(fields_)}")


def _plain(level: Any) -> Any:
    return level if level is None or isinstance(level, int) else "off"


def _changes_in(lines: Sequence[Any]) -> int:
    """How many lines tell of a change."""
    return sum(1 for line in lines if len(line) > HEARD_LENGTH and line[3] == "change")
