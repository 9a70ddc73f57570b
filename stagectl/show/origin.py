"""Where in the setlist a level comes from: the place of the change that was laid last, and what it is."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple, TypeAlias

from stagectl.core.plan import Plan, SetTo, ShiftBy
from stagectl.core.state import Place
from stagectl.show.load import Show
from stagectl.show.names import EVERYONE, REST, column
from stagectl.show.setlist import LayerTexts

Path: TypeAlias = tuple[str | int, ...]


class Origin(NamedTuple):
    """A change of a layer: its place in the setlist, and itself. `of_place`: whether it belongs to the song, the
    section or the scene (not to the venue or the base, which lie under all of them)."""

    path: Path
    change: SetTo | ShiftBy
    of_place: bool = True


def layers_of(show: Show, plan: Plan, place: Place) -> Iterator[tuple[Path, LayerTexts]]:
    """The layers of a place, the topmost first: of its scene, its section, its song."""
    setlist, at = show.setlist, plan.stops[place.stop]
    if place.scene is not None:
        name = plan.scenes[place.scene].name
        yield ("scenes", name, "levels"), setlist.scenes[name].levels
    if at.section >= 0:
        path = ("songs", at.song, "sections", at.section, "levels")
        yield path, setlist.songs[at.song].sections[at.section].levels
    if at.song >= 0:
        yield ("songs", at.song, "levels"), setlist.songs[at.song].levels


def origin(show: Show, plan: Plan, venue: str | None, place: Place, send: int) -> Origin:
    """Which change was laid last over a send at a place."""
    for path, texts in layers_of(show, plan, place):
        found = _in_layer(show, path, texts, send, plan.width)
        if found is not None:
            return found
    if venue is not None:
        found = _in_layer(show, ("venues", venue), show.setlist.venues[venue], send, plan.width)
        if found is not None:
            return found._replace(of_place=False)
    listener = show.rig.listeners[send // plan.width]
    levels = show.setlist.base[listener.name]
    named = [name for name in levels if column(show.rig, listener, name) == send % plan.width]
    key = next(iter(named), REST if REST in levels else "")
    path = ("base", listener.name, key) if key else ("base", listener.name)
    level = plan.stops[0].levels[send] if key not in levels else levels[key]
    assert level is not None
    return Origin(path, SetTo(level), of_place=False)


def _in_layer(show: Show, path: Path, texts: LayerTexts, send: int, width: int) -> Origin | None:
    listener = show.rig.listeners[send // width]
    found = None
    for name, changes in texts.items():
        if name in (listener.name, EVERYONE):
            for input_, change in changes.items():
                if column(show.rig, listener, input_) == send % width:
                    found = Origin((*path, name, input_), change)
    return found


def name_path(plan: Plan, stop: int) -> Path:
    """Where the name of a song or a section stands; the base's own place for the start."""
    at = plan.stops[stop]
    if at.song < 0:
        return ("base",)
    song: Path = ("songs", at.song)
    return (*song, "name") if at.section < 0 else (*song, "sections", at.section, "name")
