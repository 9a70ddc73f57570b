"""From a journal to the figures of a report: one pass over everything but the changes (`levels.py` has those).

A night may have a million rows and few songs, so no row is kept: what is kept is bounded by the sends of a rig and by
the bounds below. A journal that is cut off is read up to where it is, and the report says so.
"""

from __future__ import annotations

import sqlite3
from array import array
from bisect import bisect_left
from collections import Counter
from collections.abc import Callable, Mapping
from heapq import heappush, heappushpop
from itertools import pairwise
from typing import Any, Final

from stagectl.core.gestures import Gesture
from stagectl.journal.causes import cause
from stagectl.report.connections import Link
from stagectl.report.figures import CEILINGS, Connection, Delay, Refusal, Said, Slow
from stagectl.report.hearing import Event
from stagectl.report.tally import Tally, percentile
from stagectl.report.visits import SONGS_KEPT, Visits
from stagectl.story.sweeps import WAITS, Once

LINKS_KEPT: Final = 200

UNDONE_KEPT: Final = 10_000
"""Undos that took the night to another place."""

SAID_KEPT: Final = 60
"""Troubles that are told one by one; more are counted."""

STEPS_KEPT: Final = 20
STEP_US: Final = 1_000_000
"""What the clock on the wall may gain or lose from one row to the next, µs; as in `live/clock.py`."""

SLOW_MAX: Final = 10
"""The slowest presses that are told."""

BOUNDS: Final = (100, 200, 500, 1_000, 2_000, 5_000, 10_000, 20_000, 50_000, 100_000)
"""Upper bounds of the bars of `Delay`, µs: 1, 2 and 5 of each decade."""

ACTS: Final = ("press", "arrival", "track", "cue")
"""The kinds of row that show that the set is going on."""

_STORY: Final = (
    "SELECT id, wall, at, kind, press, who, what, pedal, control, gesture, song, section, number, detail FROM story "
    "WHERE kind <> 'change' ORDER BY id"
)


class Story:
    """Everything of a night but its changes."""

    def __init__(self, begun_us: int) -> None:
        self.visits = Visits()
        self.counts: Counter[str] = Counter()
        self.presses = 0
        """A sweep of a treadle is one."""
        self.held = Tally()
        self.held_where: Counter[tuple[int, str]] = Counter()
        """How often a foot was refused at a bound, by song's index and what it was refused for."""
        self.refusals = Tally()
        self.events: list[Event] = []
        """Where the night was, and whether the desk was there, for the ears."""
        self.said: list[Said] = []
        self.more_said = 0
        self.steps: list[tuple[int, int]] = []
        self.begun_us = begun_us
        self.end = 0
        self.last: int | None = None
        self.ends = False
        self.missing = 0
        self.damage: str | None = None
        self._delays = array("q")
        self._slow: list[tuple[int, int, Slow]] = []
        self._undo: int | None = None
        self._pressed, self._refused = Once(), Once()
        self._heard: str | None = None
        self._links: dict[str, Link] = {}
        self.more_links = 0
        self._does: Mapping[str, Callable[..., None]] = {
            "press": self._press,
            "arrival": self._arrival,
            "refusal": self._refusal,
            "link": self._link,
            "trouble": self._trouble,
            "track": self._track,
        }

    def read(self, connection: sqlite3.Connection) -> None:
        """Read all there is; `damage` says where it could not be read on. Raises ValueError for what no night says."""
        try:
            for number, wall, at, kind, *rest in connection.execute(_STORY):
                if not (isinstance(at, int) and isinstance(rest[-2], int | None)):
                    raise ValueError(f"the time or the number of line {number} of `story` is none")
                self.counts[kind] += 1
                self._clock(wall, at)
                if at > self.end:
                    self.end = at
                self.ends = kind == "end"
                if kind in ACTS:
                    self.last = self.end
                does = self._does.get(kind)
                if does is not None:
                    does(number, at, *rest)
        except sqlite3.Error as error:
            self.damage = cause(error)

    def _clock(self, wall: int, at: int) -> None:
        """The clock on the wall may have been set since the row before; a row without a sensible time says nothing, nor
        does one that is of before."""
        if at < self.end:
            return
        begun = wall - at // 1000
        by = begun - self.begun_us
        if abs(by) > STEP_US and 0 <= begun < 2**53:
            if len(self.steps) < STEPS_KEPT:
                self.steps.append((at, by))
            self.begun_us = begun

    def _press(
        self, _: int, at: int, press: int, who: str, what: str, pedal: str, control: str, gesture: str, *more: Any
    ) -> None:
        turns = gesture == Gesture.TURN.value
        self.presses += self._pressed.counts((who, pedal, control) if turns else None, at)
        self._undo = press if what == "undo" else None
        number = more[-2]
        if number is None:
            return
        self._delays.append(number)
        if len(self._slow) < SLOW_MAX or number > self._slow[0][0]:
            slow = Slow(number, at, who or "", what or "", self.visits.name)
            # Of equally slow ones the first counts, so later ones are taken to be less.
            put = (number, -len(self._delays), slow)
            if len(self._slow) < SLOW_MAX:
                heappush(self._slow, put)
            else:
                heappushpop(self._slow, put)

    def _arrival(self, number: int, at: int, press: int, *row: Any) -> None:
        song, section = row[5], row[6]
        # As `log` tells refusals: each with the arrival that it came after.
        self._refused.counts(None, at)
        if press is not None and press == self._undo and len(self.visits.undone) < UNDONE_KEPT:
            self.visits.undone.add(press)
        if song is not None:
            self.visits.arrive(number, at, song, section)
            if song != self._heard:
                self._heard = song
                self.events.append(Event(number, at, song=song))

    def _refusal(self, _: int, at: int, press: int, who: str, what: str, pedal: str, control: str, *more: Any) -> None:
        reason = more[-1] or "no reason was kept"
        if not self._refused.counts((who, pedal, control) if reason == WAITS else None, at):
            return
        foot = ", ".join(part for part in (pedal, control) if part) or who or "nobody"
        self.refusals.add((reason, foot), at)
        if reason in CEILINGS:
            self.held.add((who or "", what or "", reason, self.visits.name), at)
            self._at_bound(what)

    def _at_bound(self, what: str | None) -> None:
        key = (self.visits.songs[-1], what or "")
        if key in self.held_where or len(self.held_where) < SONGS_KEPT:
            self.held_where[key] += 1

    def _link(self, number: int, at: int, press: int, who: str, what: str, *__: Any) -> None:
        if what not in ("here", "gone"):
            if what and what.startswith("missing "):
                words = what.split()
                self.missing += int(words[1]) if words[1].isdecimal() else 1
            self._say(at, "journal", what or "")
            return
        if who == "desk":
            self.events.append(Event(number, at, here=what == "here"))
        link = self._links.get(who)
        if link is None:
            if len(self._links) >= LINKS_KEPT:
                self.more_links += 1
                return
            link = self._links[who] = Link()
        (link.here if what == "here" else link.gone)(at)

    def _trouble(self, _: int, at: int, press: int, who: str, what: str, *__: Any) -> None:
        self._say(at, "trouble", what or "")

    def _track(self, _: int, at: int, press: int, who: str, what: str, *__: Any) -> None:
        if what in _BAD_TRACK:
            self._say(at, "track", f"{who}: {_BAD_TRACK[what]}, in {self.visits.name}")

    def _say(self, at: int, kind: str, text: str) -> None:
        if len(self.said) < SAID_KEPT:
            self.said.append(Said(at, kind, text))
        else:
            self.more_said += 1

    def links(self, end: int) -> list[Connection]:
        """What was connected, in the order in which it came."""
        return [link.made(name or "?", end) for name, link in self._links.items()]

    def refused(self) -> list[Refusal]:
        """The reasons, the most frequent first, each with its feet."""
        by: dict[str, list[tuple[str, int]]] = {}
        for (reason, foot), count, *_ in self.refusals.most():
            by.setdefault(reason, []).append((foot, count))
        if self.refusals.others:
            by["other reasons and feet"] = [("", self.refusals.others)]
        found = [Refusal(reason, sum(count for _, count in feet), tuple(feet)) for reason, feet in by.items()]
        return sorted(found, key=lambda one: -one.times)

    def delay(self) -> Delay:
        """How long first bytes took."""
        if not self._delays:
            return Delay()
        ordered = sorted(self._delays)
        edges = [0, *(bisect_left(ordered, bound + 1) for bound in BOUNDS), len(ordered)]
        return Delay(
            count=len(ordered),
            p50=percentile(ordered, 0.5),
            p99=percentile(ordered, 0.99),
            longest=ordered[-1],
            bars=tuple(above - below for below, above in pairwise(edges)),
            slow=tuple(slow for *_, slow in sorted(self._slow, reverse=True)),
        )


_BAD_TRACK: Final = {
    "missed": "nothing played: the song went without its track",
    "lost": "its track stopped, as its player was gone",
    "not known": "where its track was by then was not known, after the time away",
}
"""What a track does that somebody should know of."""
