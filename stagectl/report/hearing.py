"""Each listener's mix over a night, for journals of a million changes.

It comes to what `ears/night.py` comes to row by row, and the tests compare the two. But the changes of one moment are
taken together, a sum is worked out only for the mixes that they touch, and the power of a level is looked up.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from itertools import groupby
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

HALF: Final = 0.5 + 1e-9
"""What `hundredths` adds before it cuts."""

UNSURE: Final = 1e-8
"""How near to the edge between two hundredths a sum is worked out exactly, hundredths: some thousand times what a plain
sum of 128 sends can be wrong by, 127·2⁻⁵³·1000/ln 10 = 6·10⁻¹²."""


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


def power_sum(powers: Sequence[float]) -> int | None:
    """10·log10 of the sum of some powers, in hundredths of a dB, as `hundredths` rounds the exactly rounded sum
    (`math.fsum`); None where they come to nothing. No power is negative.

    A plain sum takes a third of the time. Of n such terms it is wrong by no more than n·2⁻⁵³ of itself (N. J. Higham,
    "Accuracy and Stability of Numerical Algorithms", 4.2: recursive summation), so by less than `UNSURE` after the
    logarithm; where that could make it another hundredth, the exact sum decides.
    """
    total = sum(powers)
    if total <= 0:
        return None
    scaled = 1000 * math.log10(total)
    place = abs(scaled) + HALF
    whole = int(place)
    if UNSURE < place - whole < 1 - UNSURE:
        return whole if scaled > 0 else -whole
    return hundredths(10 * math.log10(math.fsum(powers)))


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
        self._whole_sends = frozenset(self._wholes)
        self._inputs = [slice(whole + 1 - plan.width, whole) for whole in self._wholes]
        levels: list[Raw] = [_OFF if isinstance(level, Off) else level for level in base]
        self._powers = _Powers()
        self._loud = [self._powers[level] for level in levels]
        self._found: list[int | None] = [None if levels[whole] is None else 0 for whole in self._wholes]
        self._moved: list[int | None] = [0] * count
        """How far each whole mix is from where it was found, hundredths of a dB; None where it is off."""
        for one, whole in enumerate(self._wholes):
            self._move(one, levels[whole])
        self._sums: list[Level] = [OFF] * count
        self._since = [0] * count
        self._courses: dict[tuple[int, str], defaultdict[Level, int]] = {}
        """How long each mix stood at which sum in which song, ns."""
        self._stood: list[defaultdict[Level, int]] = []
        """Those of the present song."""
        self._song = ""
        self._here = False
        self._away = 0
        self._apply((), range(count * plan.width))

    def take(self, ats: Sequence[int | str], sends: Sequence[int | None], raws: Sequence[Raw]) -> None:
        """Some changes, one after the other: when each was, ns, as a number or its text; the number of its send, None
        where the show does not have it; its level, as the journal has it."""
        if None in sends or None in raws:
            self._take_uneven(ats, sends, raws)
            return
        begun = ended = 0
        for at, some in groupby(ats):
            time = int(at)
            if time > self.now:
                self._tell(sends[begun:ended], raws[begun:ended])  # type: ignore[arg-type]
                begun = ended
                self.go_to(time)
            ended += len(list(some))
        # The last moment may go on.
        self._told.update(zip(sends[begun:], raws[begun:], strict=True))  # type: ignore[arg-type]

    def _tell(self, sends: Sequence[int], raws: Sequence[Raw]) -> None:
        """All that is left of the present moment: heard at once where that comes to the same."""
        if self._here and not self._told and self._whole_sends.isdisjoint(sends):
            self._apply(zip(sends, raws, strict=True), sends)
        else:
            self._told.update(zip(sends, raws, strict=True))

    def _take_uneven(self, ats: Sequence[int | str], sends: Sequence[int | None], raws: Sequence[Raw]) -> None:
        """The same where a send is none of the show's, or a level is not known."""
        for at, send, raw in zip(ats, sends, raws, strict=True):
            self.go_to(int(at))
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
        for one in self._whole_sends & told.keys():
            self._move(self._mix_of[one], told[one])
        self._apply(told.items(), told)
        told.clear()

    def _apply(self, told: Iterable[tuple[int, Raw]], sends: Iterable[int]) -> None:
        """Some sends stand at other levels from now on. `sends`: which."""
        loud, powers, sums, moved, inputs = self._loud, self._powers, self._sums, self._moved, self._inputs
        since, now, begun = self._since, self.now, self.begun
        for send, raw in told:
            loud[send] = powers[raw]
        for one in set(map(self._mix_of.__getitem__, sends)):
            by = moved[one]
            together = None if by is None else power_sum(loud[inputs[one]])
            level = OFF if by is None or together is None else together + by
            if level != sums[one]:
                # As `_close` does: this is done a hundred thousand times a night.
                if begun and now > since[one]:
                    self._stood[one][sums[one]] += now - since[one]
                since[one] = now
                sums[one] = level

    def _move(self, one: int, whole: Raw) -> None:
        """A whole mix is at a level: `_moved` is how far that is from where it was found, as `ears/mix.py` has it."""
        if self._found[one] is None and isinstance(whole, int):
            self._found[one] = whole
        found = self._found[one]
        self._moved[one] = 0 if found is None else None if isinstance(whole, str) else (whole or 0) - found

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
            ears.stood(self._listeners[one], song, stood)
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
