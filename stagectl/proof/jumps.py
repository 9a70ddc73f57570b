"""The greatest rise of a send, and of a mix, from one place to the next.

A rise is one of a send that the scene has on before and after, by the same nudges and rides before and after: an input
that comes in from `off` is an entrance, which only the mix as a sum feels. Of a level B + t held at the top, going to a
higher B' the rise is B' - B where the top holds neither, and never more; a lower t is held less. So the greatest rise
is that under the lowest t at which both are on. Where B' is not above the top that is any t, and none (t = 0) serves.
Nudges for a song or a section are left out where it ends: what they took down comes back because their time is over.
So is what a mix as a whole has lowered (room, its ceiling, a hush): it comes back no faster than `limits: rise`.

A mix as a sum is that of its uncorrelated inputs on the levels as they are written (held at their tops, with nobody's
nudges), and of its whole level where the show drives one. A mix that was silent rises from the nudge floor.

Steps that lead to one stop from very many others (`go to`) are not looked at pair by pair: the levels that a send has
at the places before are few.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from typing import Final, NamedTuple, TypeAlias

from stagectl.core.levels import Level
from stagectl.core.state import Place
from stagectl.proof.scenery import Scenery
from stagectl.proof.spans import Spans

MANY: Final = 4
"""Steps to (or from) one stop that are still looked at pair by pair."""


class Rise(NamedTuple):
    """How far a send rises (hundredths of a dB) from one place to another; a mix as a sum where its column is None."""

    by: int
    listener: int
    column: int | None
    before: Place
    after: Place


Column: TypeAlias = dict[Level | None, Place]
"""The levels that a send has at some places, each with one such place."""


class Rises:
    """All rises of one plan."""

    def __init__(self, spans: Spans, scenery: Scenery, limit: int) -> None:
        self.spans, self.scenery, self.limit = spans, scenery, limit
        self.plan, self.ground = scenery.plan, spans.ways.ground
        self.most: dict[bool, Rise] = {}
        """The greatest rise of a send (False), and of a mix as a sum (True)."""
        self.beyond: dict[tuple[int, int | None, int], Rise] = {}
        """Those above the limit: the greatest one of each listener, column and stop that is arrived at."""
        self._told = {False: 0, True: 0}
        """Rises up to here need not be kept: others were as great, and they are allowed."""
        self._columns: dict[frozenset[int], list[Column]] = {}
        self._looked_at: set[tuple[int, int, int | None, int | None]] = set()
        """Rows of levels before and after, and the scenes over them, of which it makes no difference where that is:
        scenes that set every send, as falling back does, are the same over each stop."""
        self._moved = frozenset(spans.ways.moved)

    def look(self) -> None:
        """Look at every step, those that lead on in the set first: of rises that are the same, the first is told."""
        forward = {(stop, to) for stop, ends in self.ground.steps.items() for to in ends}
        back = {(stop, to) for stop, ends in self.ground.undone.items() for to in ends}
        into: dict[int, set[int]] = defaultdict(set)
        out_of: dict[int, set[int]] = defaultdict(set)
        for stop, to in forward:
            into[to].add(stop)
        for stop, to in back:
            out_of[stop].add(to)
        for to, stops in sorted(into.items()):
            if len(stops) > MANY:
                self._from_many(stops | {to}, to)
        for stop, ends in sorted(out_of.items()):
            if len(ends) > MANY:
                self._to_many(stop, ends | {stop})
        for stop, to in sorted(forward | back, key=lambda step: (step[1] < step[0], step)):
            only_back = (stop, to) not in forward
            few = len(out_of[stop]) <= MANY if only_back else len(into[to]) <= MANY
            if few:
                self._pair(stop, to)
            if only_back or (stop, to) in back:
                self._scenes_undone(stop, to)
            if not only_back:
                self._scenes_left(stop, to)
        for stop in sorted(self.ground.feet):
            self._scenes(stop)

    # -- steps --------------------------------------------------------------------------------------------

    def _pair(self, stop: int, to: int) -> None:
        before, after = Place(stop=stop), Place(stop=to)
        old, new = self.scenery.rows[stop], self.scenery.rows[to]
        for send in self.scenery.differs(stop, to):
            self._send(send, old[send], new[send], before, after)
        self._mixes(before, after)

    def _scenes_left(self, stop: int, to: int) -> None:
        """A step away from a stop with a scene over it; what the scene does not touch rises as without it."""
        for scene in self.ground.scenes[stop]:
            self._between(Place(stop=stop, scene=scene), Place(stop=to), self.scenery.changes[scene])

    def _scenes_undone(self, stop: int, to: int) -> None:
        for scene in self.ground.scenes[to]:
            self._between(Place(stop=stop), Place(stop=to, scene=scene), self.scenery.changes[scene])

    def _scenes(self, stop: int) -> None:
        """Scenes laid over a stop, over each other, and taken off."""
        plain, changes = Place(stop=stop), self.scenery.changes
        for scene in self.ground.scenes[stop]:
            place = Place(stop=stop, scene=scene)
            self._between(plain, place, changes[scene])
            if scene in self.ground.lifted[stop]:
                self._between(place, plain, changes[scene])
            for other in self.ground.scenes[stop] - {scene}:
                self._between(place, Place(stop=stop, scene=other), changes[scene].keys() | changes[other].keys())

    def _between(self, before: Place, after: Place, sends: Iterable[int]) -> None:
        old, new = self.scenery.row(before), self.scenery.row(after)
        # Rows that are the same are one object, and stay.
        key = id(old), id(new), before.scene, after.scene
        if key not in self._looked_at:
            differ = [send for send in sends if old[send] != new[send]]
            depend = [send for send in differ if not self._send(send, old[send], new[send], before, after)]
            if not depend:
                self._looked_at.add(key)
        self._mixes(before, after)

    def _from_many(self, stops: set[int], to: int) -> None:
        after = Place(stop=to)
        for send, (column, new) in enumerate(zip(self._column(stops), self.scenery.rows[to], strict=True)):
            for old, before in column.items():
                self._send(send, old, new, before, after)
        for stop in stops:
            self._mixes(Place(stop=stop), after)

    def _to_many(self, stop: int, ends: set[int]) -> None:
        before = Place(stop=stop)
        for send, (column, old) in enumerate(zip(self._column(ends), self.scenery.rows[stop], strict=True)):
            for new, after in column.items():
                self._send(send, old, new, before, after)
        for to in ends:
            self._mixes(before, Place(stop=to))

    def _column(self, stops: set[int]) -> list[Column]:
        key = frozenset(stops)
        if key not in self._columns:
            order = sorted(stops, reverse=True)
            places = [Place(stop=stop) for stop in order]
            rows = [self.scenery.rows[stop] for stop in order]
            self._columns[key] = [dict(zip(column, places, strict=True)) for column in zip(*rows, strict=True)]
        return self._columns[key]

    # -- what rises ---------------------------------------------------------------------------------------

    def _send(self, send: int, old: Level | None, new: Level | None, before: Place, after: Place) -> bool:
        """One send goes from a level to another. Whether there is nothing to tell of it wherever else it does so."""
        top = self.plan.tops[send]
        if not isinstance(old, int) or not isinstance(new, int) or top is None or new <= old:
            return True
        lowest, depends = 0, new > top and send in self._moved
        if depends:
            number = self.spans.ways.number[before.stop, before.scene]
            span = self.spans.lasting(number, after.stop, send)
            lowest = max(span.low, min(0, self.plan.limits.nudge_floor - old))
        by = min(new + lowest, top) - min(old + lowest, top)
        if by > self._told[False]:
            self._keep(Rise(by, *divmod(send, self.plan.width), before, after))
        return not depends and by <= self.limit

    def _keep(self, rise: Rise) -> None:
        is_sum = rise.column is None
        if is_sum not in self.most or rise.by > self.most[is_sum].by:
            self.most[is_sum] = rise
            self._told[is_sum] = min(rise.by, self.limit)
        if rise.by > self.limit:
            key = rise.listener, rise.column, rise.after.stop
            if key not in self.beyond or rise.by > self.beyond[key].by:
                self.beyond[key] = rise

    def _mixes(self, before: Place, after: Place) -> None:
        mixes = self.scenery.mixes
        for listener, (old, new) in enumerate(zip(mixes(before), mixes(after), strict=True)):
            if new - old > self._told[True]:
                self._keep(Rise(new - old, listener, None, before, after))
