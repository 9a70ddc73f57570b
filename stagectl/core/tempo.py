"""Bars and beats in time: a song's tempo map.

Tempo is in quarter notes a minute, as a MIDI file and MIDI clock count it, whatever the metre (RP-001: microseconds a
quarter; MIDI 1.0, 4.2.1: 24 clocks a quarter). A metre of 6/8 has six beats of an eighth. Bars are counted from 1;
positions are ns since the track's beginning, and bar 1 need not begin there. Before bar 1, for a count-in, the first
tempo and the first metre hold; after the last change its tempo and metre go on for ever.

Everything is worked out in whole numbers and fractions, so that no error grows with the length of a song; a position
is rounded to the nearest ns once, in the end.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from fractions import Fraction
from functools import cached_property
from itertools import pairwise
from operator import index
from typing import Any, Final, NamedTuple

from msgspec import Struct

MINUTE_NS: Final = 60 * 1_000_000_000

CLOCKS: Final = 24
"""MIDI clocks in a quarter note (MIDI 1.0 Detailed Specification 4.2.1, System Real Time)."""

CLOCKS_A_UNIT: Final = 6
"""MIDI clocks in a unit of song position: a sixteenth note (the same, Song Position Pointer)."""

UNITS: Final = (1, 2, 4, 8, 16, 32)
"""The notes that a metre can count: whole to thirty-second."""

BEATS_MAX: Final = 64

TEMPO_MIN: Final = 10
TEMPO_MAX: Final = 1_000
"""Quarter notes a minute: from one in six seconds to more than any foot follows."""

CHANGES_MAX: Final = 10_000
"""Changes of tempo, and of metre, in one map."""


class Metre(NamedTuple):
    """Beats in a bar, and the note that is a beat: 6, 8 for 6/8."""

    beats: int = 4
    unit: int = 4

    @property
    def beat(self) -> Fraction:
        """A beat, in quarter notes."""
        return Fraction(4, self.unit)

    @property
    def bar(self) -> Fraction:
        """A bar, in quarter notes."""
        return self.beats * self.beat


def checked(metre: Metre) -> Metre:
    """The metre, if it is one. Raises ValueError where its beats or their note are out of range."""
    if not 1 <= metre.beats <= BEATS_MAX or metre.unit not in UNITS:
        units = ", ".join(map(str, UNITS))
        says = f"a metre has 1 to {BEATS_MAX} beats, each of them a note of {units}"
        raise ValueError(f"{metre.beats}/{metre.unit} is no metre: {says}")
    return metre


class Tempo(NamedTuple):
    """From `quarter` (quarter notes since bar 1) on, a quarter note lasts `lasts` ns."""

    quarter: Fraction
    lasts: Fraction


class Bars(NamedTuple):
    """From the beginning of `bar` on, which is at `quarter` (quarter notes since bar 1), the metre."""

    bar: int
    quarter: Fraction
    metre: Metre


class Beat(NamedTuple):
    """A beat of a bar, and its position, ns. The first beat of a bar is 1."""

    position: int
    bar: int
    beat: int


def lasting(tempo: Fraction | int) -> Fraction:
    """How long a quarter note lasts at a tempo, ns. Raises ValueError outside `TEMPO_MIN` to `TEMPO_MAX`."""
    if not TEMPO_MIN <= tempo <= TEMPO_MAX:
        raise ValueError(f"a tempo of {float(tempo):g} quarter notes a minute is outside {TEMPO_MIN} to {TEMPO_MAX:,}")
    return Fraction(MINUTE_NS) / tempo


class TempoMap(Struct, frozen=True, kw_only=True, dict=True):
    """Where bars and beats are. `tempos` and `bars` are in order, and the first of each is at bar 1; `begins`: the
    position of bar 1, ns. Raises ValueError where that is not so, and for a tempo or a metre that is out of range."""

    tempos: tuple[Tempo, ...]
    bars: tuple[Bars, ...] = (Bars(1, Fraction(0), Metre()),)
    begins: int = 0

    def __post_init__(self) -> None:
        if not self.tempos or self.tempos[0].quarter != 0 or not self.bars or self.bars[0][:2] != (1, Fraction(0)):
            raise ValueError("a tempo map says the tempo and the metre of bar 1")
        if max(len(self.tempos), len(self.bars)) > CHANGES_MAX:
            raise ValueError(f"a tempo map has at most {CHANGES_MAX:,} changes")
        for one in self.tempos:
            _check_lasts(one.lasts)
        for here in self.bars:
            checked(here.metre)
        for one, then in pairwise(self.tempos):
            if then.quarter <= one.quarter:
                raise ValueError("the tempos of a tempo map are in order")
        for was, now in pairwise(self.bars):
            if now.bar <= was.bar or now.quarter != was.quarter + (now.bar - was.bar) * was.metre.bar:
                raise ValueError("the metres of a tempo map change at bars, in order")

    @cached_property
    def _since(self) -> tuple[Fraction, ...]:
        """For each tempo, the time from bar 1 to where it begins, ns."""
        since = [Fraction(0)]
        for one, then in pairwise(self.tempos):
            since.append(since[-1] + (then.quarter - one.quarter) * one.lasts)
        return tuple(since)

    # -- from music to time -------------------------------------------------------------------------------

    def _exact(self, quarter: Fraction) -> Fraction:
        """Time from bar 1 to a quarter note, ns."""
        at = max(0, bisect_right(self.tempos, quarter, key=lambda one: one.quarter) - 1)
        return self._since[at] + (quarter - self.tempos[at].quarter) * self.tempos[at].lasts

    def at_quarter(self, quarter: Fraction | int) -> int:
        """The position of a place in quarter notes since bar 1, ns."""
        return self.begins + round(self._exact(Fraction(quarter)))

    def at_clock(self, clock: int) -> int:
        """The position of a MIDI clock, counted from 0 at bar 1, ns."""
        return self.at_quarter(Fraction(clock, CLOCKS))

    def quarter_of(self, bar: int, beat: int = 1) -> Fraction:
        """Where a beat of a bar is, in quarter notes since bar 1. Raises ValueError where the bar has no such beat."""
        here = self._bars(bar)
        if not 1 <= beat <= here.metre.beats:
            beats, unit = here.metre
            raise ValueError(f"bar {bar} is in {beats}/{unit}: its beats are 1 to {beats}, not {beat}")
        return here.quarter + (bar - here.bar) * here.metre.bar + (beat - 1) * here.metre.beat

    def at_bar(self, bar: int, beat: int = 1) -> int:
        """The position of a beat of a bar, ns. Raises ValueError where the bar has no such beat."""
        return self.at_quarter(self.quarter_of(bar, beat))

    def _bars(self, bar: int) -> Bars:
        return self.bars[max(0, bisect_right(self.bars, bar, key=lambda one: one.bar) - 1)]

    # -- from time to music -------------------------------------------------------------------------------

    def quarter_at(self, position: int) -> Fraction:
        """How many quarter notes after bar 1 a position is; negative before it."""
        since = Fraction(position - self.begins)
        at = max(0, bisect_right(self._since, since) - 1)
        return self.tempos[at].quarter + (since - self._since[at]) / self.tempos[at].lasts

    def clock_from(self, position: int) -> int:
        """The first MIDI clock at or after a position, counted from 0 at bar 1."""
        last = int(self.quarter_at(position) * CLOCKS // 1)
        # The last one before it, unless that is where it is when rounded to ns.
        return last if self.at_clock(last) >= position else last + 1

    def beats(self, since: int, until: int | None = None) -> Iterator[Beat]:
        """The beats from a position on, up to another (without it), ns; without end where it is None."""
        quarter = self.quarter_at(since)
        here = self.bars[max(0, bisect_right(self.bars, quarter, key=lambda one: one.quarter) - 1)]
        bar, beat = here.bar + int((quarter - here.quarter) // here.metre.bar), 1
        while True:
            position = self.at_bar(bar, beat)
            if until is not None and position >= until:
                return
            if position >= since:
                yield Beat(position, bar, beat)
            beat += 1
            if beat > self._bars(bar).metre.beats:
                bar, beat = bar + 1, 1

    # -- to another process and back ----------------------------------------------------------------------

    def plain(self) -> dict[str, Any]:
        """The map in lists and whole numbers, for JSON."""
        return {
            "tempos": [[*one.quarter.as_integer_ratio(), *one.lasts.as_integer_ratio()] for one in self.tempos],
            "bars": [[one.bar, *one.quarter.as_integer_ratio(), *one.metre] for one in self.bars],
            "begins": self.begins,
        }


def _check_lasts(lasts: Fraction) -> None:
    if lasts <= 0:
        raise ValueError(f"a quarter note cannot last {lasts} ns")
    lasting(MINUTE_NS / lasts)  # Raises where that is out of range.


def from_plain(data: dict[str, Any]) -> TempoMap:
    """The map that `plain` gave. Raises KeyError, TypeError, ValueError or ZeroDivisionError where it is none."""
    return TempoMap(
        tempos=tuple(Tempo(Fraction(a, b), Fraction(c, d)) for a, b, c, d in data["tempos"]),
        bars=tuple(
            Bars(index(bar), Fraction(a, b), Metre(index(beats), index(unit)))
            for bar, a, b, beats, unit in data["bars"]
        ),
        begins=index(data["begins"]),
    )


class BarChange(NamedTuple):
    """From the beginning of a bar on, another tempo (quarter notes a minute) or another metre, or both."""

    bar: int
    tempo: Fraction | None = None
    metre: Metre | None = None


def by_bars(changes: Sequence[BarChange], begins: int = 0) -> TempoMap:
    """The map that changes at bars make; the first is at bar 1 and says the tempo (and 4/4, where it says no metre).
    Raises ValueError where they are not in order."""
    if not changes or changes[0].bar != 1 or changes[0].tempo is None:
        raise ValueError("the first change is at bar 1, and says the tempo")
    tempos: list[Tempo] = []
    bars: list[Bars] = []
    bar = 0
    for change in changes:
        if change.bar <= bar:
            raise ValueError(f"bar {change.bar} stands after bar {bar}: changes are in the order of their bars")
        bar = change.bar
        quarter = bars[-1].quarter + (bar - bars[-1].bar) * bars[-1].metre.bar if bars else Fraction(0)
        if change.tempo is not None:
            tempos.append(Tempo(quarter, lasting(change.tempo)))
        if change.metre is not None or not bars:
            bars.append(Bars(bar, quarter, change.metre or Metre()))
    return TempoMap(tempos=tuple(tempos), bars=tuple(bars), begins=begins)
