"""How far nudges and rides can bring each send at each place: intervals, exact at their ends.

The level of a send is B + t, B its scene level and t the sum of its shifts, held at the top (ceiling, or the desk's
highest step); below the nudge floor a t below 0 means `off` (`core/nudges.py`). What can be reached of t:

- A nudge up comes to the top of its range, R = min(top, B + `nudge up`), and no further, whatever it started from. So
  the highest shift that lasts is the greatest R - B of all places where a nudge up is at hand, less the lowest ride
  that can lie there; never below 0, which is there from the start.
- A nudge down ends at `off`, whose shift is one hundredth below the floor: min(B, floor) - 1 - B, the lowest of all
  places where a nudge down is at hand, less the highest ride.
- A treadle takes hold where its shift meets the present one, 0 at first. So the ranges count that are joined to 0, one
  over the other (within `PICK_UP`); a treadle whose range is joined to nothing never takes hold.
- Over a scene level of `off` shifts do nothing, and a nudge up (there) lifts the send: to the floor, and then up to
  the top.
- `undo`, `clear nudges` and a change of song bring back what was there before.

Shifts that last for the night travel from place to place, so they are worked out along the ways that the feet can take:
in a part of the set whose places all lead to each other they are the same everywhere, and they flow on into the parts
that are reached from it. Shifts that last for a song do the same within it.

The ends are reached exactly where the desk's steps show every nudge; on a coarser desk the level may stop less than one
step short, where the desk already shows the end. Inputs of a group are taken to be free of each other, which they are
not where the group keeps its balance, and nudges to last when the levels fall back, which they do not. Where nudges of
the same send last differently, one up and the other down, each can be wound up against the other: then nothing is said
of t but that the level is held at the top. Sums of both are bounded by the sum of their ends. All this is sound, and
may be wider than what can be reached.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from typing import Final, NamedTuple

from stagectl.core.actions import Lasts
from stagectl.core.levels import Level, Off
from stagectl.core.plan import Plan
from stagectl.core.rides import PICK_UP
from stagectl.proof.graph import Part, parts_of
from stagectl.proof.moves import region
from stagectl.proof.reach import Ground
from stagectl.proof.scenery import Scenery

FAR: Final = 10**6
"""A shift, hundredths of a dB, that is beyond every level: nothing is known of how far it goes."""


class Span(NamedTuple):
    """The lowest and the highest shift, hundredths of a dB, of all that can lie there; `lifted`: whether a send that is
    off in the scene may have been nudged up."""

    low: int = 0
    high: int = 0
    lifted: bool = False

    def over(self, other: Span) -> Span:
        """Both at once."""
        return Span(self.low + other.low, self.high + other.high, self.lifted or other.lifted)


STILL: Final = Span()


def hull(spans: Iterable[Span]) -> Span:
    """The span that holds all of them, and no shift at all."""
    low = high = 0
    lifted = False
    for one in spans:
        low, high, lifted = min(low, one.low), max(high, one.high), lifted or one.lifted
    return Span(low, high, lifted)


class Pulled(NamedTuple):
    """Where a send can be moved by what lasts so long: the stops with a nudge up, and with one down."""

    up: frozenset[int]
    down: frozenset[int]


class Ways:
    """What of the walk matters to levels, the same for every venue: places by number, the parts of the set that they
    make up, and which sends are moved where."""

    def __init__(self, plan: Plan, ground: Ground) -> None:
        self.plan, self.ground = plan, ground
        self.places = ground.places
        self.number = {(place.stop, place.scene): at for at, place in enumerate(self.places)}
        self.pulled: dict[int, dict[Lasts, Pulled]] = {}
        self.rides: dict[int, dict[tuple[int, int], frozenset[int]]] = {}
        self._collect()
        self.parts: dict[Lasts, list[Part]] = {
            lasts: self._parts(lasts)
            for lasts in Lasts
            if lasts is Lasts.NIGHT or any(lasts in kinds for kinds in self.pulled.values())
        }
        self.part_of = {
            lasts: {node: at for at, part in enumerate(parts) for node in part.nodes}
            for lasts, parts in self.parts.items()
        }

        self.kinds = [tuple(self.part_of[lasts][node] for lasts in self.parts) for node in range(len(self.places))]
        """Of each place, the parts that it is in: places of the same parts have the same spans."""

    @property
    def moved(self) -> list[int]:
        """The sends that feet can move."""
        return sorted(self.pulled.keys() | self.rides.keys())

    def _collect(self) -> None:
        up: dict[tuple[int, Lasts], set[int]] = defaultdict(set)
        down: dict[tuple[int, Lasts], set[int]] = defaultdict(set)
        rides: dict[int, dict[tuple[int, int], set[int]]] = defaultdict(lambda: defaultdict(set))
        same: dict[int, list[int]] = defaultdict(list)
        feet = {id(some): some for some in self.ground.feet.values()}
        for stop, some in self.ground.feet.items():
            same[id(some)].append(stop)
        for key, stops in same.items():
            for pull in {pull for foot in feet[key] for pull in foot.pulls}:
                if pull.lasts is None:
                    rides[pull.send][pull.low, pull.high].update(stops)
                else:
                    (up if pull.up else down)[pull.send, pull.lasts].update(stops)
        for send, lasts in up.keys() | down.keys():
            kinds = self.pulled.setdefault(send, {})
            kinds[lasts] = Pulled(frozenset(up.get((send, lasts), ())), frozenset(down.get((send, lasts), ())))
        for send, ranges in rides.items():
            self.rides[send] = {ends: frozenset(stops) for ends, stops in ranges.items()}

    def _leads(self, node: int) -> list[int]:
        place, ground = self.places[node], self.ground
        stop, number = place.stop, self.number
        out = [number[to, None] for to in ground.steps[stop]]
        out += [number[stop, scene] for scene in ground.scenes[stop]]
        if place.scene is None:
            for to in ground.undone[stop]:
                out += [number[to, None], *(number[to, scene] for scene in ground.scenes[to])]
        elif place.scene in ground.lifted[stop]:
            out.append(number[stop, None])
        return out

    def _parts(self, lasts: Lasts) -> list[Part]:
        """The parts of the set; a nudge that lasts for less than the night goes no further than its region."""
        where = [region(self.plan, lasts, place.stop) for place in self.places]
        leads = [[to for to in self._leads(node) if where[to] == where[node]] for node in range(len(self.places))]
        return parts_of(range(len(self.places)), leads.__getitem__)


class Spans:
    """The spans of one plan (of one venue), for every place and send."""

    def __init__(self, ways: Ways, scenery: Scenery) -> None:
        self.ways, self.plan, self.scenery = ways, scenery.plan, scenery
        self._rides = {send: self._ridden(send) for send in ways.rides}
        self._spans: dict[tuple[int, Lasts], list[Span]] = {}
        self._sums: dict[tuple[int, tuple[int, ...], int], Span] = {}
        self._wild: set[int] = set()
        for send, kinds in ways.pulled.items():
            if any(a.up and b.down for one, a in kinds.items() for other, b in kinds.items() if one is not other):
                self._wild.add(send)
            for lasts, pulled in kinds.items():
                self._spans[send, lasts] = self._flow(send, lasts, pulled)

    def lasting(self, node: int, to: int, send: int) -> Span:
        """What lies there, and still does at the stop `to`."""
        stop = self.ways.places[node].stop
        lasting = (kind for kind in self.ways.parts if region(self.plan, kind, stop) == region(self.plan, kind, to))
        return self._sum(node, send, tuple(lasting))

    def whole(self, node: int, send: int) -> Span:
        """Everything that can lie there."""
        return self._sum(node, send, tuple(self.ways.parts))

    def ride(self, node: int, send: int) -> Span:
        """What treadles can have done."""
        rides = self._rides.get(send)
        return STILL if rides is None else rides[self.ways.part_of[Lasts.NIGHT][node]]

    def _sum(self, node: int, send: int, kinds: Sequence[Lasts]) -> Span:
        key = send, self.ways.kinds[node], len(kinds)
        if key not in self._sums:
            self._sums[key] = self._summed(node, send, kinds)
        return self._sums[key]

    def _summed(self, node: int, send: int, kinds: Sequence[Lasts]) -> Span:
        span = self.ride(node, send)
        for lasts in kinds:
            spans = self._spans.get((send, lasts))
            if spans is not None:
                span = span.over(spans[self.ways.part_of[lasts][node]])
        return Span(-FAR, FAR, span.lifted) if send in self._wild else span

    def _ridden(self, send: int) -> list[Span]:
        """Of each part of the night, how far the treadles of a send can have shifted it."""
        out: list[Span] = []
        for part in self.ways.parts[Lasts.NIGHT]:
            stops = {self.ways.places[node].stop for node in part.nodes}
            ends = [ends for ends, where in self.ways.rides[send].items() if not where.isdisjoint(stops)]
            low, high, _ = hull(out[at] for at in part.before)
            out.append(Span(*joined(low, high, ends)))
        return out

    def _flow(self, send: int, lasts: Lasts, pulled: Pulled) -> list[Span]:
        """Of each part, how far nudges that last so long can have shifted a send."""
        out: list[Span] = []
        top, limits = self.plan.tops[send], self.plan.limits
        for part in self.ways.parts[lasts]:
            span = hull(out[at] for at in part.before)
            ups, downs = self._bases(part, send, pulled.up), self._bases(part, send, pulled.down)
            if top is None or not (ups or downs):
                out.append(span)
                continue
            ride = hull(self.ride(node, send) for node in part.nodes) if send in self._rides else STILL
            high = [min(top, base + limits.nudge_up) - base - ride.low for base in ups if isinstance(base, int)]
            low = [min(limits.nudge_floor, b) - 1 - b - ride.high for b in downs if isinstance(b, int)]
            lifted = span.lifted or any(isinstance(base, Off) for base in ups)
            out.append(Span(min([span.low, *low]), max([span.high, *high]), lifted))
        return out

    def _bases(self, part: Part, send: int, stops: frozenset[int]) -> set[Level | None]:
        """The scene levels of a send at the places of a part where something is at hand."""
        places, level = self.ways.places, self.scenery.level
        if not stops:
            return set()
        return {level(places[node], send) for node in part.nodes if places[node].stop in stops}


def joined(low: int, high: int, ranges: Sequence[tuple[int, int]]) -> tuple[int, int]:
    """How far the shift of a send can be ridden from where it may be, by treadles with these ranges."""
    rest = list(ranges)
    while True:
        near = [ends for ends in rest if ends[0] - PICK_UP <= high and ends[1] + PICK_UP >= low]
        if not near:
            return low, high
        rest = [ends for ends in rest if ends not in near]
        low, high = min([low, *(ends[0] for ends in near)]), max([high, *(ends[1] for ends in near)])
