"""Does a timetable fit? The order of its times, the venues that have one of their own, and nights in which the clocks
are changed."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

from stagectl.errors import Advice, Fault, nearest
from stagectl.show.clock_values import DAY_MIN, clock_text
from stagectl.show.setlist import SetlistModel
from stagectl.show.source import Source
from stagectl.show.timetable import Clocks, Entry, TimetableModel, clock_of, offsets, on, timetables
from stagectl.show.yamltext import Path

if TYPE_CHECKING:
    from stagectl.core.plan import Plan
    from stagectl.show.load import Show


def place_of_time(setlist: SetlistModel, venue: str | None, name: str) -> Path:
    """Where the setlist says an entry of a venue's timetable: in its own one, or in the one of all."""
    own = None if venue is None else setlist.timetables.get(venue)
    if own is not None and name in {field.rstrip("_").replace("_", " ") for field in own.model_fields_set}:
        return ("timetables", str(venue), name)
    return ("timetable", name)


def timetable_faults(setlist: SetlistModel, source: Source) -> Iterator[Fault]:
    """Timetables of no venue, and times that are not in the order of a night."""
    for name in setlist.timetables:
        if name not in setlist.venues:
            says = f"`{name}` is not a venue of this setlist{nearest(name, setlist.venues)}"
            yield source.fault(says, "timetables", name)
    told = set()
    for venue, model in timetables(setlist):
        slip = _slip(model)
        if slip is not None and slip not in told:
            told.add(slip)
            where = f" (at `{venue}`)" if venue is not None and setlist.timetable is not None else ""
            yield source.fault(f"{slip}{where}", *_place_of_slip(setlist, venue, slip))


class _Slip(NamedTuple):
    """A time that is earlier than the one before it, so that the night would be longer than a day."""

    name: str
    at: int
    before: str
    before_at: int

    def __str__(self) -> str:
        return (
            f"`{self.name}` at {clock_text(self.at)} is earlier than `{self.before}` at {clock_text(self.before_at)}, "
            "so it would be on the next day, and the night longer than a day; give the times in the order of the night"
        )


def _slip(model: TimetableModel) -> _Slip | None:
    found = offsets(model)
    if not found or max(found.values()) - min(found.values()) <= DAY_MIN:
        return None
    begins, slip = next(iter(found.values())), None
    for (before, before_at), (name, at) in pairwise(model.times.items()):
        if at < before_at:
            slip = _Slip(name, at, before, before_at)
        if found[name] - begins > DAY_MIN:
            break
    return slip


def _place_of_slip(setlist: SetlistModel, venue: str | None, slip: _Slip) -> Path:
    """The later of its two times that the venue says itself, or where the one that is earlier stands."""
    places = [place_of_time(setlist, venue, name) for name in (slip.name, slip.before)]
    own = [place for place in places if place[0] == "timetables"]
    return (own or places)[0]


def timetable_advice(show: Show, _: Plan) -> Iterator[Advice]:
    """A warning for each time that is changed by a change of the clocks, where the date and the zone are given."""
    setlist, source = show.setlist, show.sources["setlist"]
    for venue, model in timetables(setlist):
        if model.date_ is None or model.here is None:
            continue
        night = on(model, model.date_, model.here)
        own = len([entry for entry in night if not entry.own])
        for at, entry in enumerate(night):
            says = change_text(entry)
            if says:
                place = place_of_time(setlist, venue, "also" if entry.own else entry.name)
                yield source.advice(says, *place, *((at - own, "at") if entry.own else ()))


def change_text(entry: Entry) -> str:
    """What a change of the clocks makes of a time, in words; nothing where it makes nothing of it."""
    clock = f"`{entry.name}`: {clock_text(entry.clock)} on {entry.at.date()}"
    if entry.change is Clocks.MISSING:
        return f"{clock} does not exist, as clocks are put forward then; it counts as {clock_text(clock_of(entry.at))}"
    if entry.change is Clocks.TWICE:
        return f"{clock} comes twice, as clocks are put back then; the first is meant"
    return ""
