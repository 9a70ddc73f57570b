"""Each listener's mix over a night, for journals of a million changes.

It comes to what `ears/night.py` comes to row by row, and the tests compare the two. But the changes of one moment are
taken together, a sum is worked out only for the mixes that they touch, and the power of a level is looked up.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from itertools import groupby, islice
from typing import Final, NamedTuple

from stagectl.core.levels import OFF, Level, Off, hundredths
from stagectl.core.plan import Levels, Plan
from stagectl.ears.mix import Ears
from stagectl.ears.night import NightEars
from stagectl.report.bundles import Raw
from stagectl.report.figures import SendKey

_OFF: Final = "off"
"""The level `off`, as a journal has it."""

POWERS_MAX: Final = 50_000
"""Powers of levels that are kept."""


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

    Whoever has the changes and the events gives them to `take` and `happen`, in their order.
    """

    def __init__(self, plan: Plan, base: Levels) -> None:
        self.ears = Ears()
        self.now = 0
        self.sends: Mapping[SendKey, int] = plan.sends_by_name
        self.begun = False
        self.strangers: Counter[SendKey] = Counter()
        """Changes of sends that the show does not have."""
        self._told: dict[int, Raw] = {}
        """What the desk has not been taken to have heard yet, by the number of the send."""
        self._plan, self._base = plan, base
        self._listeners: Sequence[str] = plan.listeners
        count = len(plan.listeners)
        self._mix_of = [send // plan.width for send in range(count * plan.width)]
        # The whole mix is the last of a listener's sends.
        self._wholes = [(one + 1) * plan.width - 1 for one in range(count)]
        self._inputs = [slice(whole + 1 - plan.width, whole) for whole in self._wholes]
        levels: list[Raw] = [_OFF if isinstance(level, Off) else level for level in base]
        self._powers = _Powers()
        self._loud = [self._powers[level] for level in levels]
        self._whole = levels[plan.width - 1 :: plan.width]
        self._found: list[int | None] = [None if level is None else 0 for level in self._whole]
        self._sums = [self._sum(at) for at in range(count)]
        self._since = [0] * count
        self._courses: dict[tuple[int, str], defaultdict[Level, int]] = {}
        """How long each mix stood at which sum in which song, ns."""
        self._stood: list[defaultdict[Level, int]] = []
        """Those of the present song."""
        self._song = ""
        self._here = False
        self._away = 0

    def take(self, ats: Sequence[int | str], sends: Sequence[int | None], raws: Sequence[Raw]) -> None:
        """Some changes, one after the other: when each was, ns, as a number or its text; the number of its send, None
        where the show does not have it; its level, as the journal has it."""
        even = None not in sends and None not in raws
        told = zip(sends, raws, strict=True)
        for at, some in groupby(ats):
            self.go_to(int(at))
            one = islice(told, len(list(some)))
            if even:
                self._told.update(one)  # type: ignore[arg-type]
                continue
            for send, raw in one:
                if raw is None:
                    # A level that is not known leaves the one that was, and takes back one of the same moment.
                    self._told.pop(send, None)  # type: ignore[arg-type]
                elif send is not None:
                    self._told[send] = raw

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
        self._close_all(at)
        self._song = song
        listeners = range(len(self._listeners))
        self._stood = [self._courses.setdefault((one, song), defaultdict(int)) for one in listeners]

    def _hear(self) -> None:
        """What changes while the desk is away reaches it when it is back."""
        told = self._told
        if not told or not self._here:
            return
        loud, powers, wholes, sums = self._loud, self._powers, self._wholes, self._sums
        for send, raw in told.items():
            loud[send] = powers[raw]
        for one in set(map(self._mix_of.__getitem__, told)):
            whole = told.get(wholes[one])
            if whole is not None:
                self._whole[one] = whole
                if self._found[one] is None and isinstance(whole, int):
                    self._found[one] = whole
            together = self._sum(one)
            if together != sums[one]:
                self._close(one, self.now)
                sums[one] = together
        told.clear()

    def _sum(self, one: int) -> Level:
        """10·log10 Σ 10^(L/10) of the sends, and, in dB, how far the whole mix was moved; as `ears/mix.py` has it."""
        whole, found = self._whole[one], self._found[one]
        if found is not None and isinstance(whole, str):
            return OFF
        total = math.fsum(self._loud[self._inputs[one]])
        if total <= 0:
            return OFF
        moved = 0 if found is None or not isinstance(whole, int) else whole - found
        return hundredths(10 * math.log10(total)) + moved

    def _close(self, one: int, at: int) -> None:
        if self.begun and at > self._since[one]:
            self._stood[one][self._sums[one]] += at - self._since[one]
        self._since[one] = at

    def _close_all(self, at: int) -> None:
        for one in range(len(self._listeners)):
            self._close(one, at)

    def end(self, at: int) -> Ears:
        """The set, from its first recall to a time, ns."""
        self.go_to(at)
        self._hear()
        self._close_all(self.now)
        ears = Ears()
        for (one, song), stood in self._courses.items():
            for level, time in stood.items():
                ears.add(self._listeners[one], song, level, 0, time)
        self.ears = ears
        return ears

    def notes(self, ended: bool) -> list[str]:
        """What people should know of how this was made up, in the words of `ears/night.py`. `ended`: whether the
        journal says that the night is over."""
        night = NightEars(self._plan, self._base)
        night.ended, night.away = ended, self._away
        night.strangers.update(
            {f"{input_} in the mix of {listener}": count for (listener, input_), count in self.strangers.items()}
        )
        return night.notes()
