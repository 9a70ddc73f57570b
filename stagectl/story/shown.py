"""What the rows of a journal show, read on from arrival to arrival.

A night that is played again may be another than the one that was: its journal is damaged, or of another version of the
program. The rows say whether it is: where it went from place to place, and the levels that it had. Where lines are
missing, no level is known until a row tells it again.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Final

from stagectl.core.levels import Level
from stagectl.core.plan import Plan
from stagectl.core.state import State
from stagectl.core.touch import HAND
from stagectl.story.replay import says_what_is_missing
from stagectl.story.rows import Row

OF_ITS_OWN: Final = ("read", "told again")
"""Causes of changes that tell of a desk, and not of what the night wants."""


class Shown:
    """`rows`: those of a night, in their order."""

    def __init__(self, rows: Iterable[Row]) -> None:
        self._rows: Iterator[Row] = iter(rows)
        self._levels: dict[tuple[str | None, str | None], Level | None] = {}
        self._lacks = False
        self._arrival: Row | None = None
        self.now = 0
        """The time of the last row that was read, ns since the night began."""
        self.ended = False
        """Whether that says that the night is over."""

    def comes_to(self, song: str, section: str | None) -> bool:
        """Read on to the next arrival. Returns whether there is one, at that place."""
        self._arrival = self._next()
        return self._arrival is not None and (self._arrival.song, self._arrival.section) == (song, section)

    def comes_to_its_end(self) -> bool:
        """Read all that is left. Returns whether there is no arrival in it."""
        arrivals = 0
        while self._next() is not None:
            arrivals += 1
        return not arrivals

    def unlike(self, plan: Plan, state: State) -> set[int]:
        """The sends of which the rows, as far as they are read, show another level than a state has, in the desk's
        steps."""
        out = set()
        for send, (names, step) in enumerate(zip(plan.send_names, state.steps, strict=True)):
            is_like = plan.in_steps(send, self._levels[names]) == step if names in self._levels else not self._lacks
            if step is not None and not is_like:
                out.add(send)
        return out

    def _next(self) -> Row | None:
        """The next arrival; all that comes before it is read."""
        for row in self._rows:
            self.now, self.ended = max(self.now, row.at), row.kind == "end"
            if row.kind == "arrival":
                return row
            if row.kind == "change" and row.what not in OF_ITS_OWN:
                counts = row.what == HAND and row.detail is not None
                self._levels[row.listener, row.input] = row.sent if counts else row.after
            elif says_what_is_missing(row):
                self._levels.clear()
                self._lacks = True
        return None
