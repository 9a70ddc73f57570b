"""What the last steps of a rehearsal were, from the rows of its story: who did what, what that moved, and the lines
that a person reads."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final, NamedTuple

from stagectl.core.lamps import UNMEANT
from stagectl.core.levels import Level
from stagectl.core.plan import Plan
from stagectl.story.rows import Row
from stagectl.story.times import clock
from stagectl.story.words import lines, meant, place

LINES_MAX: Final = 14
"""Lines of the story that are shown, the last of them."""

_UNMEANT: Final = frozenset(reason.value for reason in UNMEANT)


class Moved(NamedTuple):
    """A level that a step has moved, and who moved it, by what."""

    before: Level | None
    after: Level | None
    who: str
    cause: str


class Last(NamedTuple):
    """What was told last. `at`: ns since the night began; `who`: who did it, nothing for news of the rehearsal itself;
    `to`: the place to which that led; `refused`: why nothing came of it; `press`: of which it tells."""

    at: int
    who: str
    what: str
    where: str = ""
    refused: str | None = None
    to: str = ""
    press: int | None = None

    def plain(self) -> dict[str, Any]:
        """For a board."""
        said = {"at": self.at // 1_000_000, "who": self.who, "what": self.what, "where": self.where}
        return said | {"to": self.to, "refused": self.refused}


class Steps:
    """Follows the story. `moved`: the levels that the last step that moved any has moved, by send."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.last: Last | None = None
        self.moved: Mapping[int, Moved] = {}
        self.lines: deque[str] = deque(maxlen=LINES_MAX)
        self._moving: object = None
        self._sends = plan.sends_by_name

    def hear(self, rows: Sequence[Row]) -> None:
        """Some more of the story."""
        for row in meant(rows):
            if row.kind == "change":
                self._change(row)
            elif row.kind == "arrival":
                self._arrive(row)
            elif row.kind in ("press", "track") or (row.kind == "refusal" and row.detail not in _UNMEANT):
                where = ", ".join(word for word in (row.pedal, row.control, row.gesture) if word)
                refused = row.detail if row.kind == "refusal" else None
                if refused is not None and self.last is not None and not row.gesture and self.last.at == row.at:
                    # A refusal follows its press, which says more of the foot.
                    where = self.last.where or where
                self.last = Last(row.at, row.who or "", row.what or "", where, refused, press=row.press)
        self.lines.extend(lines(rows))

    def say(self, at: int, sentence: str) -> None:
        """Something of the rehearsal that is no row of the night. `at`: ns since it began, no earlier than what was
        heard."""
        self.last = Last(at, "", sentence)
        self.lines.append(f"{clock(at):>10}  {sentence}")

    def go_on_from(self, other: Steps) -> None:
        """The night goes on by edited files; `other` has followed it by those of before. What it tells is told on, of
        the levels that are still there."""
        self.last, self._moving = other.last, other._moving
        self.lines.extend(other.lines)
        names = {send: name for name, send in other._sends.items()}
        moved = ((self._sends.get(names[send]), one) for send, one in other.moved.items())
        self.moved = {send: one for send, one in moved if send is not None}

    def _arrive(self, row: Row) -> None:
        if self.last is not None and (self.last.press, self.last.at) == (row.press, row.at):
            over = f", {row.detail} over it" if row.detail else ""
            self.last = self.last._replace(to=place(row.song, row.section) + over)

    def _change(self, row: Row) -> None:
        step = (row.press, row.at) if row.press is None else row.press
        if step != self._moving:
            self._moving, self.moved = step, {}
        send = self._sends[row.listener or "", row.input or ""]
        before = self.moved[send].before if send in self.moved else row.before
        self.moved = {**self.moved, send: Moved(before, row.after, row.who or "", row.what or "")}


def rows_of(moments: Iterable[object]) -> list[Row]:
    """The rows among what a rehearsal tells."""
    return [moment for moment in moments if isinstance(moment, Row)]
