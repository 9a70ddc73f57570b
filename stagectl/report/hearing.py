"""Each listener's mix over a night, for journals of a million changes.

It comes to what `ears/night.py` comes to row by row, and the tests compare the two. But the changes of one moment are
taken together, a sum is worked out only for the mixes that they touch, and the power of a level is looked up.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Final, NamedTuple

from stagectl.core.levels import OFF, Level, Off, hundredths
from stagectl.core.plan import Levels, Plan
from stagectl.ears.mix import Ears
from stagectl.ears.night import NightEars
from stagectl.report.figures import SendKey

POWERS_MAX: Final = 50_000
"""Powers of levels that are kept."""


class Event(NamedTuple):
    """Between two changes: from the row `number` on, at a time, ns, the night is at a song, or the desk is here or not;
    the other is None."""

    number: int
    at: int
    song: str | None = None
    here: bool | None = None


class Hearing:
    """Follows the mixes. `plan`: the show's; `base`: the levels of its base, in the desk's steps.

    Whoever has the changes calls `go_to` with the time of each that is later than `now`, and then puts its level into
    `told`, where it is a send of this show.
    """

    def __init__(self, plan: Plan, base: Levels) -> None:
        self.ears = Ears()
        self.now = 0
        self.told: dict[SendKey, Level] = {}
        """What the desk has not been taken to have heard yet."""
        self.sends: Mapping[SendKey, tuple[int, int]] = {
            (listener, plan.column_name(column)): (at, column)
            for at, listener in enumerate(plan.listeners)
            for column in range(plan.width)
        }
        self.begun = False
        self.strangers: Counter[SendKey] = Counter()
        self._plan, self._base, self._whole = plan, base, plan.whole
        self._listeners: Sequence[str] = plan.listeners
        self._rows = [list(base[at * plan.width : (at + 1) * plan.width]) for at in range(len(plan.listeners))]
        self._found: list[int | None] = [None if row[-1] is None else 0 for row in self._rows]
        self._powers: dict[Level | None, float] = {None: 0.0, OFF: 0.0}
        # The powers of the same levels, in the same places; the whole mix has none, since it only moves the others.
        self._loud = [[*map(self._power, row[:-1]), 0.0] for row in self._rows]
        self._sums = [self._sum(at) for at in range(len(self._rows))]
        self._since = [0] * len(self._rows)
        self._song = ""
        self._here = False
        self._away = 0

    def go_to(self, at: int) -> None:
        """Time goes on, ns: what was told of the moment before is over."""
        if at <= self.now:
            return
        self._hear()
        if not self._here and self.begun:
            self._away += at - self.now
        self.now = at

    def happen(self, event: Event) -> None:
        """The night comes to a song, or the desk comes or goes."""
        self.go_to(event.at)
        if event.song is not None:
            self.be_in(event.song, event.at)
        if event.here is not None:
            self._hear()
            self._here = event.here

    def begin_at_base(self, at: int) -> None:
        """The base was recalled before any song."""
        self.be_in(self._plan.stops[0].name, at)

    def be_in(self, song: str, at: int) -> None:
        """From a time on, ns, a song counts; the first begins the set."""
        if song == self._song:
            return
        if not self.begun:
            self.begun = True
            self._since = [at] * len(self._rows)
        for one in range(len(self._rows)):
            self._close(one, at)
        self._song = song

    def _hear(self) -> None:
        """What changes while the desk is away reaches it when it is back."""
        if not self.told or not self._here:
            return
        touched = set()
        for key, level in self.told.items():
            listener, column = self.sends[key]
            row = self._rows[listener]
            if row[column] != level:
                row[column] = level
                if column < self._whole:
                    self._loud[listener][column] = self._power(level)
                touched.add(listener)
        self.told.clear()
        for one in touched:
            whole = self._rows[one][-1]
            if self._found[one] is None and isinstance(whole, int):
                self._found[one] = whole
            together = self._sum(one)
            if together != self._sums[one]:
                self._close(one, self.now)
                self._sums[one] = together

    def _sum(self, one: int) -> Level:
        """10·log10 Σ 10^(L/10) of the sends, and, in dB, how far the whole mix was moved; as `ears/mix.py` has it."""
        whole, found = self._rows[one][-1], self._found[one]
        if found is not None and isinstance(whole, Off):
            return OFF
        total = math.fsum(self._loud[one])
        if total <= 0:
            return OFF
        moved = 0 if found is None or not isinstance(whole, int) else whole - found
        return hundredths(10 * math.log10(total)) + moved

    def _power(self, level: Level | None) -> float:
        power = self._powers.get(level)
        if power is None:
            assert isinstance(level, int)
            if len(self._powers) >= POWERS_MAX:
                return float(10 ** (level / 1000))
            power = self._powers[level] = float(10 ** (level / 1000))
        return power

    def _close(self, one: int, at: int) -> None:
        if self.begun and at > self._since[one]:
            self.ears.add(self._listeners[one], self._song, self._sums[one], self._since[one], at)
        self._since[one] = at

    def end(self, at: int) -> Ears:
        """The set, from its first recall to a time, ns."""
        self.go_to(at)
        self._hear()
        for one in range(len(self._rows)):
            self._close(one, self.now)
        return self.ears

    def notes(self, ended: bool) -> list[str]:
        """What people should know of how this was made up, in the words of `ears/night.py`. `ended`: whether the
        journal says that the night is over."""
        night = NightEars(self._plan, self._base)
        night.ended, night.away = ended, self._away
        night.strangers.update(
            {f"{input_} in the mix of {listener}": count for (listener, input_), count in self.strangers.items()}
        )
        return night.notes()
