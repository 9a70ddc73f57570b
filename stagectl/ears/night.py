"""The mixes of a night from the rows of its journal.

The journal says where a change led and when it began, and nothing of the way: a fade counts as done at once.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from typing import Final

from stagectl.core.levels import Level
from stagectl.core.plan import Levels, Plan
from stagectl.ears.mix import SECOND, Ears, Mixes
from stagectl.story.rows import BY_DESK, Row

_BEGINS: Final = "recall"


class NightEars:
    """What the rows of a night come to. `plan`: the show's; `base`: the levels of its base, in the desk's steps."""

    def __init__(self, plan: Plan, base: Levels) -> None:
        self.mixes = Mixes(plan.listeners, base)
        self.strangers: Counter[str] = Counter()
        """Changes of mixes and sends that the show does not have, by what it lacks."""
        self.away = 0
        """How long the desk was away while the set went on, ns."""
        self._sends = plan.sends_by_name
        self.ended = False
        """Whether the last row says that the night is over."""
        self._first = plan.stops[0].name
        self._levels: list[Level | None] = [None] * len(base)
        self._here = False
        self.now = 0
        """The time of the last row, ns since the night began."""

    def read(self, rows: Iterable[Row]) -> Ears:
        """The set, from its first recall to the last row."""
        for row in rows:
            self._pass(row.at)
            if row.kind == "arrival" and row.song is not None:
                self.mixes.be_in(row.song, row.at)
            elif row.kind == "change":
                if row.what == _BEGINS and self.mixes.begun is None:
                    self.mixes.be_in(self._first, row.at)
                self._change(row)
            elif row.kind == "link" and row.who == "desk":
                self._tell()
                self._here = row.what == "here"
            self.ended = row.kind == "end"
        self._tell()
        return self.mixes.end(self.now)

    def _pass(self, now: int) -> None:
        """Everything of one moment is told at once, when it is over."""
        if now <= self.now:
            return
        self._tell()
        if not self._here and self.mixes.begun is not None:
            self.away += now - self.now
        self.now = now

    def _change(self, row: Row) -> None:
        send = self._sends.get((row.listener or "", row.input or ""))
        if send is None:
            self.strangers[f"{row.input} in the mix of {row.listener}"] += 1
            return
        self._levels[send] = row.after if row.what in BY_DESK else row.sent

    def _tell(self) -> None:
        """What changes while the desk is away reaches it when it is back."""
        if self._here:
            self.mixes.stand(tuple(self._levels), self.now)

    def notes(self) -> list[str]:
        """What people should know of how this was made up."""
        out = ["a fade counts as done at once"]
        if not self.ended:
            out.append("the journal has no end yet, so this goes up to its last line")
        if self.away >= SECOND:
            out.append(f"the desk was away for {self.away // SECOND} s of it, and is taken to have stayed as it was")
        if self.strangers:
            count, (first, *more) = self.strangers.total(), self.strangers
            which = first + (f" and {len(more)} more" if more else "")
            out.append(f"{count} change{' is' if count == 1 else 's are'} left out: this show has no {which}")
        return out
