"""From the rows of a night to what was wished for: the nudges that stood when each song was left.

What counts is a player's own nudge of a send, and a hand at the desk. Rows say what moved and why, so each wish is
added up from its own rows, and whatever else moves a level never gets into it:

- Room that was made for others is told from what was asked for in `standing`.
- A treadle's shift is where the foot stands, not a wish to be kept. Where a bound held a level while a treadle moved
  it, no row says how far the treadle went: a later place, where none holds it, does. A hush, a fall back and a scene
  laid over a song belong to their moment. A ceiling that holds a level, or a mix, is worked out by the core and taken
  out again.
- `undo` and `clear nudges` take a wish back: it was a passing one, and does not count for songs that it stood in
  before, unless these were `STOOD_SONGS` or more.

How long a nudge lasts no row says. At each arrival the core is asked what the mix would be with everything that stands
(`mix_at`); what the rows show to be gone has ended there. That needs the show's text of the night: the one that the
journal kept, or else the present one. Where neither explains a level, the text was another one, and what it gave is the
level without the wishes.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from itertools import groupby
from types import MappingProxyType
from typing import Final, TypeVar

from stagectl.core.actions import Lasts
from stagectl.core.levels import Level
from stagectl.core.mixes import Row as Mix
from stagectl.core.nudges import Nudge, no_nudges, target, with_nudges
from stagectl.core.plan import Plan
from stagectl.core.state import Place, Wishes
from stagectl.core.targets import mix_at, scene_levels
from stagectl.keep.standing import HAND, Standing, moved_by, rises
from stagectl.keep.told import NONE, Entry, Stood, Told, Visit
from stagectl.story.rows import BASE, Row, stop_names

STOOD_SONGS: Final = 3
"""Songs that a wish stood in, from which on it was no passing one, whatever ended it."""

NUDGED: Final = frozenset(("nudge", "nudge rest", "hand"))
"""Causes that ask for a level."""

UNDO, CLEAR, HUSH, RIDE, READ, AGAIN = "undo", "clear nudges", "hush", "ride", "read", "told again"


ValueT = TypeVar("ValueT")


def _named_again(kept: Mapping[int, ValueT], there: Mapping[int, int | None]) -> dict[int, ValueT]:
    """What is kept by send, for another plan's sends."""
    return {to: value for send, value in kept.items() if (to := there.get(send)) is not None}


class Ledger:
    """Reads one night. `plan`: of the night's venue. `exact`: whether it is of the night's own text."""

    def __init__(self, plan: Plan, *, exact: bool) -> None:
        self._by(plan, exact=exact)
        self._levels: list[Level | None] = [None] * len(plan.ceilings)
        self._standing = Standing(plan, self._text)
        self._runs: dict[int, list[int]] = {}
        self._hushed: frozenset[int] = frozenset()
        self._left: dict[Place, dict[int, Entry]] = {}
        self._place: Place | None = Place()
        self._visit: Visit | None = None
        self._by_hand: set[int] = set()
        self.told = Told()
        self._now = 0

    def _by(self, plan: Plan, *, exact: bool) -> None:
        """From now on rows are read by a plan."""
        self.plan, self.exact = plan, exact
        self._sends = plan.sends_by_name
        self._stops = {stop_names(plan, at): at for at in range(len(plan.stops))}
        self._scenes = {scene.name: at for at, scene in enumerate(plan.scenes)}

    def read(self, rows: Iterable[Row]) -> Told:
        """The whole night, or the rest of it."""
        self.stretch(rows)
        self._leave(self._now)
        self._end_visit(self._now)
        return self.told

    def stretch(self, rows: Iterable[Row]) -> None:
        """A part of the night that was played by one text."""
        for (_, at), some in groupby(rows, key=lambda row: (row.press, row.at)):
            self._now = max(self._now, at)
            self._press(list(some), at)

    def goes_on_by(self, plan: Plan, *, exact: bool) -> None:
        """From now on the night was played by another text: the place, and what stands, go along by
        their names."""
        place = None if self._place is None else self._place_in(plan, self._place)
        if place is None:
            self._leave(self._now)
            self._end_visit(self._now)
        hushed = {self.plan.listeners[listener] for listener in self._hushed}
        there = {send: plan.sends_by_name.get(names) for names, send in self._sends.items()}
        levels, self._levels = self._levels, [None] * len(plan.ceilings)
        for send, to in there.items():
            if to is not None:
                self._levels[to] = levels[send]
        self._by(plan, exact=exact)
        self._standing.goes_on_by(plan, there)
        self._runs = _named_again(self._runs, there)
        self._by_hand = {to for send in self._by_hand if (to := there.get(send)) is not None}
        self._hushed = frozenset(at for at, name in enumerate(plan.listeners) if name in hushed)
        self._left, self._place = {}, place
        told = self.told
        told.first, told.drifted = _named_again(told.first, there), {*_named_again(dict.fromkeys(told.drifted), there)}
        for visit in (*told.visits, *(() if self._visit is None else (self._visit,))):
            visit.stood = {section: _named_again(stood, there) for section, stood in visit.stood.items()}
            visit.passing = {*_named_again(dict.fromkeys(visit.passing), there)}

    def _place_in(self, plan: Plan, place: Place) -> Place | None:
        """The place of the same names on another plan; None where there is none."""
        name = stop_names(self.plan, place.stop)
        stop = next((at for at in range(len(plan.stops)) if stop_names(plan, at) == name), None)
        called = None if place.scene is None else self.plan.scenes[place.scene].name
        scene = next((at for at, scene in enumerate(plan.scenes) if scene.name == called), None)
        return None if stop is None else Place(stop=stop, scene=scene, base=place.base)

    # -- presses ------------------------------------------------------------------------------------------

    def _press(self, rows: Sequence[Row], at: int) -> None:
        """Everything that one press has done."""
        arrival = next((row for row in rows if row.kind == "arrival"), None)
        if arrival is not None:
            self._leave(at)
            self._arrive(arrival, at)
        for cause, some in groupby((row for row in rows if row.kind == "change"), key=lambda row: row.what):
            self._changes(cause, list(some), at, moved=arrival is not None)
        if arrival is not None:
            self._reconcile(undone=any(row.what == UNDO for row in rows))
        self.told.ended = rows[-1].kind == "end"

    def _changes(self, cause: str | None, rows: Sequence[Row], at: int, *, moved: bool) -> None:
        found: dict[int, Row] = {}
        for row in rows:
            send = self._sends.get((str(row.listener), str(row.input)))
            if send is None:
                self.told.strangers.add(f"{row.input} in the mix of {row.listener}")
            else:
                found[send] = row
        if cause in (READ, AGAIN):
            return
        self._came_to_rest(found, hand=cause == HAND)
        if not moved:
            for listener, mine in groupby(sorted(found), key=self.plan.listener_of):
                self._mix(str(cause), listener, {send: found[send] for send in mine}, at)
        for send, row in found.items():
            self._levels[send] = self._capped(send, row.after) if cause == HAND else row.after
            if cause == HAND:
                self._by_hand.add(send)

    def _capped(self, send: int, level: Level | None) -> Level | None:
        """A level as far as the send's ceiling lets a hand's one count."""
        top = self.plan.tops[send]
        return min(level, top) if isinstance(level, int) and top is not None else level

    def _came_to_rest(self, found: Mapping[int, Row], *, hand: bool) -> None:
        """What a hand's wish really came to is what the next row begins at."""
        for send in self._by_hand.intersection(found) if not hand else ():
            was, before = self._levels[send], found[send].before
            if isinstance(was, int) and isinstance(before, int):
                self._standing.hand_held(send, before - was)
            self._by_hand.discard(send)

    def _mix(self, cause: str, listener: int, rows: Mapping[int, Row], at: int) -> None:
        """What a press did to one mix, at the place where it was."""
        moved = {send: moved_by(row, self._levels[send], self._capped(send, row.after)) for send, row in rows.items()}
        if cause == HUSH:
            self._standing.hush(listener, moved)
            self._hush(listener, rows)
        elif cause == UNDO and self._standing.takes_hush_back(listener, moved):
            self._hush(listener, rows)
        elif cause == RIDE:
            self._standing.ride(rows, moved, self._down(listener))
        elif cause == CLEAR:
            self._stands(self._standing.clear(listener, moved), cause)
        elif cause in NUDGED or cause == UNDO:
            self._stands(self._standing.change(rows, moved, at), cause)

    def _stands(self, after: Mapping[int, Entry], cause: str) -> None:
        """What a press left standing: first words, and wishes that are over."""
        for send, entry in after.items():
            if entry.asks and cause in NUDGED:
                self.told.first.setdefault(send, len(self.told.visits))
            if not entry.asks:
                self._over(send, passing=cause in (UNDO, CLEAR))

    def _over(self, send: int, *, passing: bool) -> None:
        """A wish is over; where it was a passing one, the songs that it stood in are told so."""
        run = self._runs.pop(send, [])
        if passing and len(run) < STOOD_SONGS:
            for at in run:
                self.told.visits[at].passing.add(send)

    def _down(self, listener: int) -> int:
        """How far a hush has a mix down, hundredths of a dB."""
        return self.plan.limits.hush if listener in self._hushed else 0

    def _hush(self, listener: int, rows: Mapping[int, Row]) -> None:
        back = any(rises(row) for row in rows.values())
        self._hushed = self._hushed - {listener} if back else self._hushed | {listener}

    # -- places -------------------------------------------------------------------------------------------

    def _arrive(self, row: Row, at: int) -> None:
        stop = self._stops.get((str(row.song), row.section))
        base = row.detail is not None and row.detail.startswith(BASE)
        scene = None if row.detail is None else self._scenes.get(row.detail.removeprefix(BASE).removeprefix(", "))
        if self._visit is None or self._visit.song != row.song:
            self._end_visit(at)
            self._visit = Visit(song=str(row.song), begun=at)
        if stop is None:
            self.told.strangers.add(f"`{row.song}`" if row.section is None else f"`{row.song}, {row.section}`")
            self._place = None
            return
        self._place = Place(stop=stop, scene=scene, base=base)
        if base:
            self._visit.fell = True
            self._standing.fall_back()
            self._runs.clear()

    def _leave(self, at: int) -> None:
        """Keep what stands as a stop is left."""
        place, visit = self._place, self._visit
        if place is None:
            return
        self._left[place] = dict(self._standing.entries)
        if visit is None or place.base:
            return
        _, section = stop_names(self.plan, place.stop)
        visit.last = section
        here = Place(stop=place.stop)
        texts = scene_levels(self.plan, here)
        stood = {}
        for send, entry in self._standing.entries.items():
            bounds, text = self.plan.bounds[send], self._text(send) if place.scene is None else texts[send]
            if not entry.asks or bounds is None or text is None or entry.since is None:
                continue
            nudges = with_nudges(no_nudges(), Lasts.NIGHT, {send: Nudge(shift=entry.shift, lift=entry.lift)})
            level = target(text, send, nudges, 0, bounds)
            held = isinstance(text, int) and isinstance(level, int) and level < text + entry.shift
            held = held or entry.loose
            if level is not None:
                stood[send] = Stood(entry.shift, level, text, held, entry.since)
        visit.stood[section] = stood
        visit.left = at

    def _end_visit(self, at: int) -> None:
        visit = self._visit
        if visit is None:
            return
        self._visit = None
        visit.left = at
        for send in visit.stood.get(visit.last, ()):
            self._runs.setdefault(send, []).append(len(self.told.visits))
        self.told.visits.append(visit)

    def _text(self, send: int) -> Level | None:
        """What the text of the night gives at the present place, as far as the rows bear it out."""
        if self._place is None:
            return None
        text, level = scene_levels(self.plan, self._place)[send], self._levels[send]
        if self.exact or not isinstance(level, int) or not isinstance(text, int):
            return text
        should = self._wanted(self.plan.listener_of(send), self._standing.entries)[send % self.plan.width]
        if should == level or not isinstance(should, int):
            return text
        self.told.drifted.add(send)
        entry = self._standing.entries.get(send, NONE)
        if should == self.plan.tops[send]:
            return level - entry.shift - entry.room - entry.ride
        return text + level - should

    def _reconcile(self, *, undone: bool) -> None:
        """After an arrival: what the rows show to be gone has ended; what an undo brought back stands again."""
        place = self._place
        if place is None:
            return
        for listener in range(len(self.plan.listeners)):
            wrong = self._unexplained(listener, self._standing.entries)
            if not wrong:
                self._rides_known(listener)
                continue
            now = self._standing.entries
            ended = now | self._without(wrong)
            tries = [ended]
            if undone and place in self._left:
                first, end = self.plan.send(listener, 0), self.plan.send(listener + 1, 0)
                then = {send: one for send, one in self._left[place].items() if first <= send < end}
                mine = {send: NONE for send in self._standing.entries if first <= send < end}
                tries.insert(0, now | mine | then)
            if self.exact:
                # One press may have ended what was asked for of one send, and left what was asked for of another.
                tries.append(now | self._inferred(wrong))
                tries.append(ended | self._inferred(self._unexplained(listener, ended) & wrong))
            best = min(tries, key=lambda one: len(self._unexplained(listener, one)))
            if len(self._unexplained(listener, best)) < len(wrong):
                for send in wrong:
                    if not best.get(send, NONE).asks:
                        self._over(send, passing=False)
                self._standing.entries = best
            drifted = self._unexplained(listener, self._standing.entries)
            self.told.drifted |= drifted
            if not drifted:
                self._rides_known(listener)

    def _rides_known(self, listener: int) -> None:
        """What stands explains every level of a mix."""
        mine = range(self.plan.send(listener, 0), self.plan.send(listener + 1, 0))
        self._standing.rides_known({send: self._levels[send] for send in mine}, self._down(listener))

    def _without(self, sends: Iterable[int]) -> dict[int, Entry]:
        """These sends with nothing asked for any more."""
        entries = self._standing.entries
        return {send: entries[send].without_wish() for send in sends if send in entries}

    def _inferred(self, sends: Iterable[int]) -> dict[int, Entry]:
        """What must stand for the levels to be what they are: of several wishes for a send, one has ended. Where a
        treadle's share is not known, it is the treadle's: what stands as a wish is what was asked for."""
        place, out = self._place, dict[int, Entry]()
        assert place is not None
        texts = scene_levels(self.plan, place)
        for send in sends:
            text, level, entry = texts[send], self._levels[send], self._standing.entries.get(send)
            if entry is not None and isinstance(text, int) and isinstance(level, int):
                by = level + self._down(self.plan.listener_of(send)) - text - entry.room
                loose = entry.loose
                out[send] = entry._replace(ride=by - entry.shift) if loose else entry._replace(shift=by - entry.ride)
        return out

    def _unexplained(self, listener: int, entries: Mapping[int, Entry]) -> set[int]:
        """Sends of a mix whose known levels are not what the core makes of the text and of what stands."""
        if self._place is None:
            return set()
        first, end = self.plan.send(listener, 0), self.plan.send(listener + 1, 0)
        pairs = enumerate(zip(self._wanted(listener, entries), self._levels[first:end], strict=True), first)
        return {send for send, (should, level) in pairs if level is not None and level != should}

    def _wanted(self, listener: int, entries: Mapping[int, Entry]) -> Mix:
        """What the core makes of a mix at the present place, with these wishes."""
        assert self._place is not None
        first, end = self.plan.send(listener, 0), self.plan.send(listener + 1, 0)
        mine = {send: one for send, one in entries.items() if first <= send < end}
        nudges = with_nudges(
            no_nudges(),
            Lasts.NIGHT,
            {send: Nudge(shift=one.shift + one.room, lift=one.lift) for send, one in mine.items()},
        )
        rides = MappingProxyType({send: one.ride for send, one in mine.items() if one.ride})
        return mix_at(self.plan, listener, Wishes(self._place, nudges, rides, self._hushed)).wanted
