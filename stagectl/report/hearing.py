"""Each listener's mix over a night, for journals of a million changes.

It comes to what `ears/night.py` comes to row by row, and the tests compare the two. But the changes of one moment are
taken together, a sum is worked out only for the mixes that they touch, and the power of a level is looked up.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from typing import Final, NamedTuple

from stagectl.core.levels import OFF, Level, Off, hundredths
from stagectl.core.plan import Levels, Plan
from stagectl.ears.mix import Ears
from stagectl.ears.night import NightEars

_OFF: Final = "off"
"""The level `off`, as a journal has it."""

Raw = int | str | None
"""A level, as a journal has it; None where it is not known."""

POWERS_MAX: Final = 50_000
"""Powers of levels that are kept."""

BETWEEN: Final = "\x1f"
"""Stands between the two names of a send: the unit separator of ASCII, which no name holds."""


class Event(NamedTuple):
    """Between two changes: from the row `number` on, at a time, ns, the night is at a song, or the desk is here or not;
    the other is None."""

    number: int
    at: int
    song: str | None = None
    here: bool | None = None


class _Powers(dict[Raw, float]):
    """Powers of levels, worked out when they are first asked for."""

    def __missing__(self, raw: Raw) -> float:
        power = 0.0 if raw is None or isinstance(raw, str) else float(10 ** (raw / 1000))
        if len(self) < POWERS_MAX:
            self[raw] = power
        return power


class Hearing:
    """Follows the mixes. `plan`: the show's; `base`: the levels of its base, in the desk's steps.

    Whoever has the changes calls `go_to` with the time of each that is later than `now`, and then puts its level, as
    the journal has it, into `told` by the number of its send, where it is one of this show.
    """

    def __init__(self, plan: Plan, base: Levels) -> None:
        self.ears = Ears()
        self.now = 0
        self.told: dict[int, int | str] = {}
        """What the desk has not been taken to have heard yet."""
        self.sends: Mapping[str, int] = {
            f"{listener}{BETWEEN}{input_}": send for (listener, input_), send in plan.sends_by_name.items()
        }
        """The sends of the show, by their two names with `BETWEEN` between."""
        self.begun = False
        self.strangers: Counter[str] = Counter()
        self._plan, self._base, self._width = plan, base, plan.width
        self._listeners: Sequence[str] = plan.listeners
        count = len(plan.listeners)
        levels: list[Raw] = [_OFF if isinstance(level, Off) else level for level in base]
        self._powers = _Powers()
        self._loud = [self._powers[level] for level in levels]
        self._whole = levels[plan.width - 1 :: plan.width]
        self._found: list[int | None] = [None if level is None else 0 for level in self._whole]
        self._sums = [self._sum(at) for at in range(count)]
        self._since = [0] * count
        self._stood: list[defaultdict[Level, int]] = [defaultdict(int) for _ in range(count)]
        """How long each mix stood at which sum in the present song, ns."""
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
            self._since = [at] * len(self._since)
        self._leave_song(at)
        self._song = song

    def _hear(self) -> None:
        """What changes while the desk is away reaches it when it is back."""
        if not self.told or not self._here:
            return
        told, loud, powers, width = self.told, self._loud, self._powers, self._width
        for send, raw in told.items():
            loud[send] = powers[raw]
        for one in {send // width for send in told}:
            whole = told.get((one + 1) * width - 1)
            if whole is not None:
                self._whole[one] = whole
                if self._found[one] is None and isinstance(whole, int):
                    self._found[one] = whole
            together = self._sum(one)
            if together != self._sums[one]:
                self._close(one, self.now)
                self._sums[one] = together
        told.clear()

    def _sum(self, one: int) -> Level:
        """10·log10 Σ 10^(L/10) of the sends, and, in dB, how far the whole mix was moved; as `ears/mix.py` has it."""
        whole, found = self._whole[one], self._found[one]
        if found is not None and isinstance(whole, str):
            return OFF
        # The whole mix is the last of a listener's sends.
        total = math.fsum(self._loud[one * self._width : (one + 1) * self._width - 1])
        if total <= 0:
            return OFF
        moved = 0 if found is None or not isinstance(whole, int) else whole - found
        return hundredths(10 * math.log10(total)) + moved

    def _close(self, one: int, at: int) -> None:
        if self.begun and at > self._since[one]:
            self._stood[one][self._sums[one]] += at - self._since[one]
        self._since[one] = at

    def _leave_song(self, at: int) -> None:
        for one, stood in enumerate(self._stood):
            self._close(one, at)
            for level, time in stood.items():
                self.ears.add(self._listeners[one], self._song, level, 0, time)
            stood.clear()

    def end(self, at: int) -> Ears:
        """The set, from its first recall to a time, ns."""
        self.go_to(at)
        self._hear()
        self._leave_song(self.now)
        return self.ears

    def notes(self, ended: bool) -> list[str]:
        """What people should know of how this was made up, in the words of `ears/night.py`. `ended`: whether the
        journal says that the night is over."""
        night = NightEars(self._plan, self._base)
        night.ended, night.away = ended, self._away
        night.strangers.update(
            {
                "{2} in the mix of {0}".format(*names.partition(BETWEEN)): count
                for names, count in self.strangers.items()
            }
        )
        return night.notes()
