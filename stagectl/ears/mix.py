"""The level of a whole mix over time, as the desk was asked for it.

The sum of a mix is that of its sends as uncorrelated signals of one loudness, 10·log10 Σ 10^(L/10), with the level of
the whole mix added in dB. What a mix stood at is kept as the time spent at each level, so that neither the order of the
spans nor how they are cut makes any difference.

A level that is not known is taken to be that of the base, and a desk that is away is taken to stay as it was. Nothing
counts before the first recall.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from typing import Final

from stagectl.core.levels import Level, Off, uncorrelated_sum
from stagectl.core.plan import Levels
from stagectl.ears.exposure import Heard

LEVELS_MAX: Final = 50_000
"""Different levels, in hundredths of a dB, of one mix in one song. From a send at -120 dB to 128 of them at +20 dB,
with a whole mix moved by up to 140 dB either way, there are 44,108 and `off`; more are a fault of the program."""

SECOND: Final = 1_000_000_000
"""Nanoseconds."""


def mix_sum(sends: Iterable[Level | None], whole: Level | None = None) -> Level:
    """The level of a mix, hundredths of a dB: the uncorrelated sum of its sends and, in dB, the level of the whole mix.
    A send that is None is not there; a whole mix that is None adds nothing."""
    if isinstance(whole, Off):
        return whole
    together = uncorrelated_sum(level for level in sends if level is not None)
    return together if isinstance(together, Off) else together + (whole or 0)


class Course:
    """How long a mix stood at each level, ns."""

    def __init__(self, times: Mapping[Level, int] | None = None) -> None:
        self._at: Counter[Level] = Counter(times)
        if len(self._at) > LEVELS_MAX:
            raise ValueError(f"a mix has more than {LEVELS_MAX:,} levels")

    def add(self, level: Level, time: int) -> None:
        """It stood at a level, hundredths of a dB, for so long, ns. Raises ValueError for a negative time."""
        if time < 0:
            raise ValueError(f"a span of {time} ns ends before it begins")
        if time and level not in self._at and len(self._at) >= LEVELS_MAX:
            raise ValueError(f"a mix has more than {LEVELS_MAX:,} levels")
        if time:
            self._at[level] += time

    @classmethod
    def of(cls, courses: Iterable[Course]) -> Course:
        """All of them, one after the other."""
        whole = cls()
        for course in courses:
            whole._at.update(course._at)
        return whole

    @property
    def time(self) -> int:
        """How long it is, ns."""
        return self._at.total()

    def heard(self, shift: int = 0) -> list[Heard]:
        """The levels, shifted by so many hundredths of a dB, in dB, and their times, s."""
        return [
            (-math.inf if isinstance(level, Off) else (level + shift) / 100, time / SECOND)
            for level, time in self._at.items()
        ]


class Ears:
    """What each listener's mix stood at, song by song."""

    def __init__(self) -> None:
        self._courses: dict[tuple[str, str], Course] = {}

    def add(self, listener: str, song: str, level: Level, begun: int, ended: int) -> None:
        """A listener's mix stood at a level, hundredths of a dB, from one time to another, ns."""
        course = self._courses.get((listener, song))
        if course is None:
            course = self._courses[listener, song] = Course()
        course.add(level, ended - begun)

    def stood(self, listener: str, song: str, times: Mapping[Level, int]) -> None:
        """A listener's mix stood at these levels, hundredths of a dB, for so long each, ns, and at no others in that
        song. Raises ValueError where there are more than LEVELS_MAX."""
        self._courses[listener, song] = Course(times)

    def songs(self, listener: str) -> Mapping[str, Course]:
        """The course of a listener's mix in each song, in the order in which they came."""
        return {song: course for (name, song), course in self._courses.items() if name == listener and course.time}

    def whole(self, listener: str) -> Course:
        """The course of a listener's mix over the set."""
        return Course.of(self.songs(listener).values())


class Mixes:
    """Follows the levels that the desk was told, and collects what they come to for each listener.

    `base`: the levels of the base, in the desk's steps, a level for every send. Times must not run backwards.
    """

    def __init__(self, listeners: Sequence[str], base: Levels) -> None:
        self.ears = Ears()
        # When the set began, ns.
        self.begun: int | None = None
        self._listeners = tuple(listeners)
        self._width = len(base) // len(self._listeners)
        self._rows = [base[at * self._width : (at + 1) * self._width] for at in range(len(self._listeners))]
        # Where the base does not drive a whole mix, what counts is how far it was moved from where it was found first;
        # one that was found off is taken to be open.
        self._found: list[int | None] = [None if row[-1] is None else 0 for row in self._rows]
        self._sums = [self._sum(at) for at in range(len(self._listeners))]
        self._since = [0] * len(self._listeners)
        self._song = ""

    def _sum(self, at: int) -> Level:
        *sends, whole = self._rows[at]
        found = self._found[at]
        if found is None or whole is None or isinstance(whole, Off):
            return mix_sum(sends, None if found is None else whole)
        return mix_sum(sends, whole - found)

    def stand(self, levels: Levels, now: int) -> None:
        """From now, ns, on, the desk stands at these levels; None leaves what was known of a send."""
        for at, row in enumerate(self._rows):
            said = levels[at * self._width : (at + 1) * self._width]
            if said == row:
                continue
            new = tuple(old if level is None else level for level, old in zip(said, row, strict=True))
            self._rows[at] = new
            if self._found[at] is None and isinstance(new[-1], int):
                self._found[at] = new[-1]
            together = self._sum(at)
            if together != self._sums[at]:
                self._close(at, now)
                self._sums[at] = together

    def be_in(self, song: str, now: int) -> None:
        """From now, ns, on, a song counts; the first begins the set."""
        if song == self._song:
            return
        if self.begun is None:
            self.begun = now
            self._since = [now] * len(self._listeners)
        self.end(now)
        self._song = song

    def end(self, now: int) -> Ears:
        """What there was up to now, ns. It may go on."""
        for at in range(len(self._listeners)):
            self._close(at, now)
        return self.ears

    def _close(self, at: int, now: int) -> None:
        if self.begun is not None and now > self._since[at]:
            self.ears.add(self._listeners[at], self._song, self._sums[at], self._since[at], now)
        self._since[at] = now
