"""What is kept of the wishes, as changes of the setlist: where each is written, what stands there, what would.

A layer says a level (`-6`, `off`) or a shift (`up 3`). What is kept moves what it says by so much; where it says
nothing of the send, a base gets a level, the others a shift. What a layer says of a send through a group, `rest` or
`everyone` stays for the others: the send gets a line of its own.

Nothing is offered above a ceiling. For each change upwards, at every place of every venue that it reaches, the send may
come to its ceiling at most (or to what it has there already), and its mix may be held no lower by the ceiling of its
sum than it is. The changes before it count as made, and changes downwards never: so whichever of them are accepted, no
ceiling is passed.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

from stagectl.core.levels import LEVEL_MAX, LEVEL_MIN, OFF, Level, Off, height, plain_text, text
from stagectl.core.plan import Levels, Plan, SetTo, ShiftBy, laid_over
from stagectl.core.rest import mix_of
from stagectl.keep.decide import Kept
from stagectl.keep.evidence import SILENT
from stagectl.keep.steady import LEAST, STEP
from stagectl.show.compile import compile_show
from stagectl.show.explain import change_words
from stagectl.show.layers import Said, SaidLayer, SaidLayers
from stagectl.show.load import Show
from stagectl.show.names import OWN
from stagectl.show.yamltext import Path


class Key(NamedTuple):
    """A layer of the setlist. `venue`: its name, where it is one; `song`, `section`: its indices, else -1."""

    layer: str
    venue: str | None = None
    song: int = -1
    section: int = -1


@dataclass(frozen=True, slots=True, kw_only=True)
class Offer:
    """A change of one line. `path`: where in the setlist; `before`, `after`: what the layer says of the send (None:
    nothing); `bounded`: why it is less than was wished; `held`: whether nothing is left of it; `hand`: why it must be
    written by hand."""

    kept: Kept
    key: Key
    listener: str
    input: str
    path: Path
    before: SetTo | ShiftBy | None
    after: SetTo | ShiftBy
    bounded: str = ""
    held: bool = False
    hand: str = ""

    @property
    def can_be_written(self) -> bool:
        """Whether it may be accepted."""
        return not self.held and not self.hand

    @property
    def written(self) -> str:
        """The new value as it stands in the file."""
        return value_text(self.after)


def value_text(change: SetTo | ShiftBy) -> str:
    """A level or a shift as a setlist says it: `-6`, `off`, `up 2`."""
    if isinstance(change, SetTo):
        return "off" if isinstance(change.level, Off) else plain_text(change.level)
    return change_words(change)


class Desk:
    """Every level that the setlist says, at every place of every venue, with the changes that are made so far."""

    def __init__(self, show: Show) -> None:
        self.show = show
        self.venues: list[str | None] = [None, *show.setlist.venues]
        self.layers = {venue: SaidLayers(show.setlist, show.rig, venue) for venue in self.venues}
        self.plans: dict[str | None, Plan] = {venue: compile_show(show, venue).plan for venue in self.venues}
        self.changes: dict[Key, dict[int, SetTo | ShiftBy]] = {}
        """By layer and send, what is said of it last in that layer, instead of, or after, what is."""
        self._said: dict[Key, dict[int, list[Said]]] = {}

    def said(self, key: Key, send: int) -> list[Said]:
        """What a layer of the file says of a send."""
        if key not in self._said:
            by_send: dict[int, list[Said]] = {}
            for one in self._layer(key).said:
                by_send.setdefault(one.send, []).append(one)
            self._said[key] = by_send
        return self._said[key].get(send, [])

    def _layer(self, key: Key) -> SaidLayer:
        layers = self.layers[key.venue]
        if key.layer == "base":
            return layers.base()
        if key.layer == "venue":
            return layers.venue()
        return layers.song(key.song) if key.section < 0 else layers.section(key.song, key.section)

    def level(self, venue: str | None, stop: int, send: int) -> Level | None:
        """The level of a send at a place, with the changes."""
        at = self.plans[venue].stops[stop]
        keys = [Key("base")]
        keys += [] if venue is None else [Key("venue", venue)]
        keys += [Key("song", None, at.song)] if at.song >= 0 else []
        keys += [Key("song", None, at.song, at.section)] if at.section >= 0 else []
        level: Level | None = None
        for key in keys:
            for change in self._changes(key, send):
                level = laid_over(level, change)
        return level

    def _changes(self, key: Key, send: int) -> Iterator[SetTo | ShiftBy]:
        """What a layer says of a send, with the change that is made of it."""
        said, new = self.said(key, send), self.changes.get(key, {}).get(send)
        if new is None:
            yield from (one.change for one in said)
            return
        plan = self.plans[None]
        mine, name = _replaced(plan, said, send), plan.listeners[plan.listener_of(send)]
        for one in said:
            if one is mine:
                yield new
            elif mine is not None or name not in one.place[-2:]:
                yield one.change
        if mine is None:
            yield new

    def levels(self, venue: str | None) -> list[Levels]:
        """Every stop's levels at a venue, with the changes."""
        sends = sorted({send for some in self.changes.values() for send in some})
        out = []
        for at, stop in enumerate(self.plans[venue].stops):
            row = list(stop.levels)
            for send in sends:
                row[send] = self.level(venue, at, send)
            out.append(tuple(row))
        return out

    def over(self, send: int) -> str:
        """Where a send, or its mix, comes above a ceiling that it was not above; empty where nowhere."""
        listener = self.plans[None].listener_of(send)
        changed = [
            one for some in self.changes.values() for one in some if self.plans[None].listener_of(one) == listener
        ]
        for venue, plan in self.plans.items():
            for at, stop in enumerate(plan.stops):
                was, level = stop.levels[send], self.level(venue, at, send)
                if was == level or level is None:
                    continue
                where = (stop.name if stop.song >= 0 else "the base") + (f" at {venue}" if venue else "")
                top = plan.ceilings[send]
                if height(level) > top and height(level) > height(OFF if was is None else was):
                    return f"in {where} it would pass its ceiling, {text(top)}"
                if self._is_held_more(plan, venue, at, listener, changed):
                    most = plan.mix_ceilings[listener]
                    return f"in {where} the mix would pass its ceiling, {text(most)}"
        return ""

    def _is_held_more(self, plan: Plan, venue: str | None, at: int, listener: int, sends: Sequence[int]) -> bool:
        first, end = plan.send(listener, 0), plan.send(listener + 1, 0)
        row = list(plan.bounded[at][first:end])
        for send in sends:
            level, top = self.level(venue, at, send), plan.tops[send]
            row[send - first] = None if top is None else top if isinstance(level, int) and level > top else level
        return mix_of(plan, listener, row).held > plan.rests[at].mixes[listener].held


def offers(show: Show, kept: Sequence[Kept]) -> list[Offer]:
    """What the wishes change in the setlist, bounded by the ceilings."""
    desk = Desk(show)
    return [offer for one in kept if (offer := _offer(desk, one)) is not None]


def _offer(desk: Desk, kept: Kept) -> Offer | None:
    plan = desk.plans[None]
    key = Key(kept.layer, kept.venue, kept.song, kept.section)
    listener, column = divmod(kept.send, plan.width)
    said = desk.said(key, kept.send)
    mine = _replaced(plan, said, kept.send)
    under = mine.change if mine is not None else _grouped(plan, said, kept.send)
    if key.layer == "base" and under is None:
        under = said[0].change if said else None
    usual = (*_place(key), plan.listeners[listener], plan.column_name(column))
    offer = Offer(
        kept=kept,
        key=key,
        listener=plan.listeners[listener],
        input=plan.column_name(column),
        path=usual if mine is None else mine.place,
        before=None if mine is None else mine.change,
        after=_moved(kept, under, kept.by),
    )
    if offer.before == offer.after:
        return None
    return _bounded(desk, offer, under) if _rises(kept) else offer


def _rises(kept: Kept) -> bool:
    return kept.by != SILENT and (kept.sets or kept.by > 0)


def _bounded(desk: Desk, offer: Offer, under: SetTo | ShiftBy | None) -> Offer:
    """An offer upwards, as far as the ceilings allow it; where they allow nothing, it is only told."""
    kept, by, bounded = offer.kept, offer.kept.by, ""
    changes = desk.changes.setdefault(offer.key, {})
    while kept.sets or by >= LEAST:
        after = changes[kept.send] = _moved(kept, under, by)
        why = desk.over(kept.send)
        if not why:
            return replace(offer, after=after, bounded=bounded)
        bounded = bounded or why
        by -= STEP
        if by < LEVEL_MIN:
            break
    del changes[kept.send]
    return replace(offer, bounded=bounded, held=True)


def _moved(kept: Kept, before: SetTo | ShiftBy | None, by: int) -> SetTo | ShiftBy:
    """What a layer says when it is moved by so much."""
    if by == SILENT:
        return SetTo(OFF)
    if kept.sets:
        return SetTo(by)
    if isinstance(before, SetTo):
        level = before.level
        return SetTo(level if isinstance(level, Off) else max(LEVEL_MIN, min(LEVEL_MAX, level + by)))
    return ShiftBy(by if before is None else before.by + by)


def _place(key: Key) -> Path:
    """Where a layer's levels stand in the setlist."""
    if key.layer == "base":
        return ("base",)
    if key.layer == "venue":
        return ("venues", str(key.venue))
    if key.section < 0:
        return ("songs", key.song, "levels")
    return ("songs", key.song, "sections", key.section, "levels")


def _replaced(plan: Plan, said: Sequence[Said], send: int) -> Said | None:
    """Of what a layer says of a send, what it says of this listener and this input alone; the last one counts."""
    listener, column = divmod(send, plan.width)
    names = (plan.column_name(column), *((OWN,) if plan.own[listener] == column else ()))
    own = [one for one in said if one.place[-2:-1] == (plan.listeners[listener],) and one.place[-1] in names]
    return own[-1] if own else None


def _grouped(plan: Plan, said: Sequence[Said], send: int) -> SetTo | ShiftBy | None:
    """What a layer says of a listener's send through a group, which a line of its own comes instead of."""
    name = plan.listeners[plan.listener_of(send)]
    return next((one.change for one in said if name in one.place[-2:]), None)
