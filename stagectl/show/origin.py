"""Where in the setlist a level comes from: the place of the change that was laid last, and what it is."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple, TypeAlias

from stagectl.core.plan import Plan, SetTo, ShiftBy
from stagectl.core.state import Place
from stagectl.show.layers import SaidLayers
from stagectl.show.load import Show
from stagectl.show.setlist import LayerTexts

Path: TypeAlias = tuple[str | int, ...]


class Origin(NamedTuple):
    """A change of a layer: its place in the setlist, and itself."""

    path: Path
    change: SetTo | ShiftBy


def layers_of(show: Show, plan: Plan, place: Place) -> Iterator[tuple[Path, LayerTexts]]:
    """The layers of a place, the topmost first: of its scene, its section, its song."""
    setlist = show.setlist
    stop, scene = _shown(show, place)
    at = plan.stops[stop]
    if scene is not None:
        yield ("scenes", scene, "levels"), setlist.scenes[scene].levels
    if at.section >= 0:
        path = ("songs", at.song, "sections", at.section, "levels")
        yield path, setlist.songs[at.song].sections[at.section].levels
    if at.song >= 0:
        yield ("songs", at.song, "levels"), setlist.songs[at.song].levels


def _shown(show: Show, place: Place) -> tuple[int, str | None]:
    """The stop and the scene whose layers make up a place; of one that was fallen back to, those of the base."""
    scenes = list(show.setlist.scenes)
    if place.scene is None:
        return place.stop, None
    if place.scene < len(scenes):
        return place.stop, scenes[place.scene]
    over = place.scene - len(scenes) - 1
    return 0, None if over < 0 else scenes[over]


def origin(show: Show, plan: Plan, layers: SaidLayers, place: Place, send: int) -> Origin:
    """Which change was laid last over a send at a place. `layers`: those of the show at the plan's venue."""
    stop, scene = _shown(show, place)
    at = plan.stops[stop]
    laid = [*layers.at(at.song, at.section, scene)]
    last = next(one for layer in reversed(laid) for one in reversed(layer.said) if one.send == send)
    return Origin(last.place, last.change)


def name_path(plan: Plan, stop: int) -> Path:
    """Where the name of a song or a section stands; the base's own place for the start."""
    at = plan.stops[stop]
    if at.song < 0:
        return ("base",)
    song: Path = ("songs", at.song)
    return (*song, "name") if at.section < 0 else (*song, "sections", at.section, "name")
