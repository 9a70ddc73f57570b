"""The proof of one plan: what holds at every place that the feet can get to, and what does not."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from typing import NamedTuple

from stagectl.core.actions import Lasts
from stagectl.core.levels import OFF, Level, Off, height
from stagectl.core.nudges import Nudge, Nudges, no_nudges, target, with_nudges
from stagectl.core.plan import Plan
from stagectl.core.state import Place
from stagectl.proof.jumps import Rise, Rises
from stagectl.proof.reach import Foot, Ground, walk
from stagectl.proof.scenery import Scenery
from stagectl.proof.spans import Span, Spans, Ways, joined


class Gap(NamedTuple):
    """Stops that no foot gets to: the first, and how many follow each other."""

    stop: int
    many: int


class Above(NamedTuple):
    """A level that would be asked for above its ceiling: never, unless the program is wrong."""

    place: Place
    send: int
    level: int
    ceiling: int


class Held(NamedTuple):
    """A level of a stop that the layers put above what the send may have."""

    stop: int
    send: int
    level: int
    held: int


class Over(NamedTuple):
    """A mix that the layers put above its ceiling as a sum, hundredths of a dB, so that all of it is held lower."""

    stop: int
    listener: int
    level: int
    ceiling: int


class Dead(NamedTuple):
    """A listener's own input that is off at a stop; whether a nudge can bring it back."""

    stop: int
    send: int
    can_return: bool


class Fight(NamedTuple):
    """Two treadles that ride one send at a stop."""

    stop: int
    send: int
    one: Foot
    other: Foot


class Idle(NamedTuple):
    """A treadle whose range never meets the level that it rides, and the first stop where it is mapped so."""

    stop: int
    send: int
    foot: Foot
    low: int
    high: int


class Walked(NamedTuple):
    """What is true of a show in every venue: where the feet get, what they fight over, which treadles are idle."""

    ways: Ways
    gaps: list[Gap]
    fights: list[Fight]
    idle: list[Idle]


class Proof(NamedTuple):
    """What holds of one plan. `most`: the greatest rise of a send, and of a mix as a sum, where there is any."""

    scenery: Scenery
    above: list[Above]
    beyond: list[Rise]
    most: dict[bool, Rise]
    held: list[Held]
    over: list[Over]
    dead: list[Dead]


def walked(plan: Plan) -> Walked:
    """What the feet can do, whatever the venue."""
    ground = walk(plan)
    ways = Ways(plan, ground)
    # A track's player may be away: what only tracks get to, feet do not.
    by_feet = walk(plan, tracks=False) if any(map(plan.led, range(len(plan.stops)))) else ground
    return Walked(ways, list(_gaps(plan, by_feet)), list(_fights(ground)), list(_idle(ways)))


def prove(plan: Plan, found: Walked, jump: int) -> Proof:
    """The proof of a plan by what its feet can do. `jump`: the greatest rise that is allowed, hundredths of a dB."""
    scenery = Scenery(plan)
    spans = Spans(found.ways, scenery)
    rises = Rises(spans, scenery, jump)
    rises.look()
    return Proof(
        scenery=scenery,
        above=[*_above_as_written(plan, found.ways.ground), *_above_when_nudged(spans)],
        beyond=list(rises.beyond.values()),
        most=rises.most,
        held=list(_held(scenery)),
        over=list(_over(scenery, found.ways.ground)),
        dead=list(_dead(plan, spans)),
    )


# -- places -----------------------------------------------------------------------------------------------


def _gaps(plan: Plan, ground: Ground) -> Iterator[Gap]:
    first = None
    for stop in range(len(plan.stops) + 1):
        out = stop < len(plan.stops) and stop not in ground.feet
        if out and first is None:
            first = stop
        elif not out and first is not None:
            yield Gap(first, stop - first)
            first = None


# -- levels -----------------------------------------------------------------------------------------------


def reaches(spans: Spans, node: int, send: int) -> tuple[Level, Level] | None:
    """The lowest and the highest exact level that a send can come to at a place; None where the show does not drive
    it. They are what the core itself makes of the ends of its span."""
    level = spans.scenery.level(spans.ways.places[node], send)
    return _ends(spans.plan, send, level, spans.whole(node, send))


def _ends(plan: Plan, send: int, level: Level | None, span: Span) -> tuple[Level, Level] | None:
    bounds = plan.bounds[send]
    if level is None or bounds is None:
        return None
    low = target(level, send, _nudges(send, span.low, None), 0, bounds)
    lift = max(bounds.top - plan.limits.nudge_floor, 0) if span.lifted else None
    high = target(level, send, _nudges(send, span.high, lift), 0, bounds)
    assert low is not None and high is not None
    return low, high


def _nudges(send: int, shift: int, lift: int | None) -> Nudges:
    return with_nudges(no_nudges(), Lasts.NIGHT, {send: Nudge(shift=shift, lift=lift)})


def _above_as_written(plan: Plan, ground: Ground) -> Iterator[Above]:
    """Levels that a stop asks for with nobody's nudges, exact and in the desk's steps."""
    kinds = [(ceiling, send % plan.width == plan.whole) for send, ceiling in enumerate(plan.ceilings)]
    stops = sorted(ground.feet)
    asked = {one for stop in stops for one in set(zip(plan.bounded[stop], kinds, strict=True))}
    grids = {False: plan.grid, True: plan.whole_grid}
    for level, kind in asked:
        grid, ceiling = grids[kind[1]], kind[0]
        if isinstance(level, int) and grid is not None:
            highest = max(level, height(grid.nearest(level, ceiling)))
            if highest > ceiling:
                rows = ((stop, list(zip(plan.bounded[stop], kinds, strict=True))) for stop in stops)
                stop, row = next((stop, row) for stop, row in rows if (level, kind) in row)
                yield Above(Place(stop=stop), row.index((level, kind)), highest, ceiling)


def _above_when_nudged(spans: Spans) -> Iterator[Above]:
    """What the core asks for at the ends of everything that nudges and rides can do."""
    plan, ways, level_at = spans.plan, spans.ways, spans.scenery.level
    for send in ways.moved:
        kinds = {(level_at(place, send), ways.kinds[node]): node for node, place in enumerate(ways.places)}
        spans_of = {(level, spans.whole(node, send)): node for (level, _), node in kinds.items()}
        for (level, span), node in spans_of.items():
            for end in _ends(plan, send, level, span) or ():
                step, ceiling = plan.in_steps(send, end), plan.ceilings[send]
                highest = max(height(end), height(OFF if step is None else step))
                if highest > ceiling:
                    yield Above(ways.places[node], send, highest, ceiling)


def _held(scenery: Scenery) -> Iterator[Held]:
    """The levels that a ceiling or the desk's range holds down, where they first come up."""
    for stop, row in enumerate(scenery.rows):
        for send in scenery.differs(stop - 1, stop) if stop else range(len(row)):
            level, top = row[send], scenery.plan.tops[send]
            if isinstance(level, int) and top is not None and level > top:
                yield Held(stop, send, level, top)


def _over(scenery: Scenery, ground: Ground) -> Iterator[Over]:
    """The mixes that their ceilings hold down with nobody's nudges, at each stop that feet get to."""
    for stop in sorted(ground.feet):
        for listener, (level, ceiling) in enumerate(
            zip(scenery.mixes(Place(stop=stop)), scenery.plan.mix_ceilings, strict=True)
        ):
            if ceiling is not None and level > ceiling:
                yield Over(stop, listener, level, ceiling)


def _dead(plan: Plan, spans: Spans) -> Iterator[Dead]:
    """Each listener's own input where it is off, once a song."""
    number = spans.ways.number
    for listener, own in enumerate(plan.own):
        if own is None:
            continue
        send, songs = plan.send(listener, own), set()
        for stop in sorted(spans.ways.ground.feet):
            song = plan.stops[stop].song
            if isinstance(plan.stops[stop].levels[send], Off) and song not in songs:
                songs.add(song)
                yield Dead(stop, send, spans.whole(number[stop, None], send).lifted)


# -- treadles ---------------------------------------------------------------------------------------------


def _fights(ground: Ground) -> Iterator[Fight]:
    """Two treadles on one send, at the first stop where they meet."""
    seen: set[tuple[int, Foot, Foot]] = set()
    looked: set[int] = set()
    for stop in sorted(ground.feet):
        feet = ground.feet[stop]
        if id(feet) in looked:
            continue
        looked.add(id(feet))
        riders: dict[int, list[Foot]] = defaultdict(list)
        for foot in sorted(feet, key=lambda foot: foot[:3]):
            for pull in foot.pulls:
                if pull.lasts is None:
                    riders[pull.send].append(foot)
        for send, some in riders.items():
            for one, other in _pairs(some):
                if (send, one, other) not in seen:
                    seen.add((send, one, other))
                    yield Fight(stop, send, one, other)


def _pairs(feet: list[Foot]) -> Iterator[tuple[Foot, Foot]]:
    for at, one in enumerate(feet):
        for other in feet[at + 1 :]:
            if one[:2] != other[:2]:
                yield one, other


def _idle(ways: Ways) -> Iterator[Idle]:
    """Treadles that never take hold: their range is joined to no shift that the level can have."""
    for send, ranges in ways.rides.items():
        low, high = joined(0, 0, list(ranges))
        lost = {ends for ends in ranges if not (low <= ends[0] and ends[1] <= high)}
        told: set[Foot] = set()
        for stop in sorted({stop for ends in lost for stop in ranges[ends]}):
            for foot in sorted(ways.ground.feet[stop] - told, key=lambda foot: foot[:3]):
                for pull in foot.pulls:
                    if pull.send == send and pull.lasts is None and (pull.low, pull.high) in lost:
                        told.add(foot)
                        yield Idle(stop, send, foot, pull.low, pull.high)
