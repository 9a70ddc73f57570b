"""Rules 4, 5 and 10 where they are about the journal: what was kept, by when, and what becomes of it."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from stagectl.core.effects import Changed
from stagectl.core.events import Wake
from stagectl.core.state import State, begin
from stagectl.core.step import step
from stagectl.story.entry import Heard
from stagectl.story.heard import KINDS, event
from stagectl.story.rows import Teller

from .disk import last_line
from .inputs import Broken

if TYPE_CHECKING:
    from .night import World

NOT_OF_THE_CORE: Final = ("reminder", "trouble", "count", "end", "resumed")
HEARD_LENGTH: Final = 7


class Kept:
    """What of a night is in its journal."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.gap = False
        """Whether there was once no room anywhere: then some of it may be missing, and that is told."""
        self.edited = False
        self.whole = True
        """Whether nothing was missing when the night was taken up last."""
        self._wishes: list[tuple[int, Any]] = []
        """What was asked for, by the number of the last line then."""
        self._event: tuple[int, int] | None = None
        self._changes = 0
        self._told = False
        self._left: Any = None
        self._power = False
        self._state: State | None = None
        self._zero = 0

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
        if self._told or self.gap:
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
        changes = sum(1 for line in lines if len(line) > HEARD_LENGTH and line[3] == "change")
        if changes < self._changes:
            raise Broken(4, f"bytes leave for {self._changes} changes, {changes} are in the journal")

    def _tail(self, path: Path) -> list[Any]:
        """The last lines of what is on its way."""
        with path.open("rb") as file:
            size = file.seek(0, 2)
            file.seek(max(0, size - 60_000))
            raw = file.read().split(b"\n")
        out: list[Any] = []
        for line in reversed(raw[:-1]):
            try:
                out += json.loads(line)
            except ValueError:
                break
            if self._event is None or any(len(one) == HEARD_LENGTH for one in out):
                break
        return out

    # -- a process ends ---------------------------------------------------------------------------------------

    def killed(self, daemon: Any, power: bool) -> None:
        """It has no time for anything any more."""
        self._note()
        self._power = power
        self._left = daemon.night.state
        recorder = self.world.recorder
        self.gap = self.gap or recorder is None or recorder._spool is None

    def taken_up(self, daemon: Any) -> None:
        """A process has begun, and has a state."""
        left, self._left = self._left, None
        self._state, self.whole = None, True
        if left is None:
            self._wishes = []
            return
        now = daemon.night.state
        if self.edited:
            self.whole = False
            return
        if daemon.taken_up is None:
            if not self.gap and not (self._power and not self.world.disk.safe):
                raise Broken(10, "the night was not taken up again")
            self._wishes, self.whole, self.world.disk.safe = [], False, 0
            return
        kept = last_line(self.world.disk.path)
        if self._power and kept < self.world.disk.safe:
            raise Broken(4, f"line {self.world.disk.safe} was safe on the disk, and only {kept} are there")
        if self.gap:
            self.whole = False
            return
        if not self._power:
            if now.wishes != left.wishes:
                raise Broken(10, f"the night is at {now.wishes}, and was at {left.wishes}")
            return
        found = [wishes for last, wishes in self._wishes if last <= kept]
        self._wishes = [one for one in self._wishes if one[0] <= kept]
        self.whole = bool(found) and found[-1] == left.wishes
        if found and now.wishes != found[-1]:
            raise Broken(
                10, f"the journal has {kept} lines, and then the night was at {found[-1]}; it is at {now.wishes}"
            )

    # -- a night is over --------------------------------------------------------------------------------------

    def end(self) -> None:
        """Play it again by what a plain SQLite reader finds."""
        path = self.world.disk.path
        if self.gap or self.edited or not path.exists() or self._state is None:
            return
        with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as journal:
            (sound,) = journal.execute("PRAGMA integrity_check").fetchone()
            if sound != "ok":
                raise Broken(4, f"the journal is damaged: {sound}")
            came = journal.execute("SELECT id, at, kind, one, two, three, said FROM heard ORDER BY id").fetchall()
            told = journal.execute(
                "SELECT kind, at, press, who, what, listener, input, level_before, level_after, detail FROM story "
                "WHERE kind NOT IN (?, ?, ?, ?, ?) ORDER BY id",
                NOT_OF_THE_CORE,
            ).fetchall()
            self.world.rules.meaning.end(journal)
        plan, state = self.world.compiled.plan, begin(self.world.compiled.plan, self._zero)
        teller, rows = Teller(plan, self._zero), list[Any]()
        for _, *fields in came:
            kept = Heard(*fields)
            state, effects = step(plan, state, event(kept), self._zero + kept.at)
            rows += teller.rows(effects)
        state, effects = step(plan, state, Wake(), self._state.now)
        rows += teller.rows(effects)
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
            fields_ = [name for name in State._fields if getattr(state, name) != getattr(self._state, name)]
            raise Broken(5, f"played again the state differs in {', '.join(fields_)}")


def _plain(level: Any) -> Any:
    return level if level is None or isinstance(level, int) else "off"
