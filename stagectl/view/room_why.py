"""Which layer makes a level what it is: the last one that has a say, from the base to a hush.

The whole account of one send is `show/explain.py`'s; this is its short form for every send at once, worked out in one
pass over the layers, for a table that is looked at while feet press.
"""

from __future__ import annotations

from typing import Final, NamedTuple

from msgspec.structs import replace

from stagectl.core.levels import Level
from stagectl.core.nudges import target
from stagectl.core.plan import Levels, Plan, SetTo, laid_over
from stagectl.core.state import Place, State
from stagectl.core.targets import scene_levels, target_of, touched
from stagectl.show.explain import BEYOND, UNBOUNDED
from stagectl.show.layers import SaidLayer, SaidLayers
from stagectl.show.load import Show

NOTHING: Final = "not driven"
BY_NUDGE: Final = "nudge"
BY_TREADLE: Final = "treadle"
BY_CEILING: Final = "ceiling"
BY_RANGE: Final = "desk's range"
BY_MIX: Final = "mix ceiling"
BY_HUSH: Final = "hush"
BY_HAND: Final = "hand"

HOLDS: Final = frozenset((BY_CEILING, BY_RANGE, BY_MIX))
"""What only holds a level lower than somebody has asked for."""


class Maker(NamedTuple):
    """What makes a level: a kind of layer or bound, and the name of the song, section, venue or scene. `line`: where
    the setlist says it, 0 where it does not. `held`: what holds the level lower than that, in words."""

    kind: str
    name: str = ""
    line: int = 0
    held: str = ""

    @property
    def words(self) -> str:
        """`section last chorus`, `mix ceiling`."""
        return (f"{self.kind} {self.name}" if self.name else self.kind) + self.held

    @property
    def short(self) -> str:
        """The same without the names that stand above the table."""
        return self.words if self.kind == "scene" else self.kind + self.held


class Makers:
    """What makes each level of a plan, for a venue."""

    def __init__(self, show: Show, plan: Plan, venue: str | None) -> None:
        self.plan = plan
        self._layers = SaidLayers(show.setlist, show.rig, venue)
        self._text = show.sources["setlist"].text
        self._last: tuple[Place, dict[int, Maker]] | None = None

    def moved(self, send: int, state: State, who: str, cause: str) -> Maker:
        """What has moved a send to where it is: a wish of somebody's, or the layer that has the last say at this place,
        whatever is nudged over it; and what holds it lower."""
        touched_ = send in state.rides or any(send in kept for kept in state.nudges)
        base, layers = scene_levels(self.plan, state.place), self._at(state.place)
        holds = self._maker(send, state, base, layers, touched_).kind
        held = f", held by the {holds}" if holds in HOLDS else ""
        if cause in WISHES:
            return Maker(WISHES[cause].format(who) + held)
        layer = layers.get(send, Maker(NOTHING))
        return layer._replace(held=held)

    def all(self, state: State) -> list[Maker]:
        """The maker of every send."""
        base, layers = scene_levels(self.plan, state.place), self._at(state.place)
        moved = touched(state.wishes)
        return [self._maker(send, state, base, layers, send in moved) for send in range(len(state.wanted))]

    def _at(self, place: Place) -> dict[int, Maker]:
        """The last layer that has a say of each send at a place. A shift over `off`, or over nothing, has none."""
        if self._last is not None and self._last[0] == place:
            return self._last[1]
        stop = self.plan.stops[0 if place.base else place.stop]
        names = {"base": "", "venue": self._layers.venue_name or ""}
        if stop.song >= 0:
            names["song"] = self._layers.setlist.songs[stop.song].name
        if stop.section >= 0:
            names["section"] = stop.name
        if place.scene is not None:
            names["scene"] = self.plan.scenes[place.scene].name
        found: dict[int, Maker] = {}
        levels: dict[int, Level | None] = {}
        for layer in self._layers.at(stop.song, stop.section, names.get("scene")):
            self._lay(layer, names[layer.kind], levels, found)
        self._last = place, found
        return found

    def _lay(self, layer: SaidLayer, name: str, levels: dict[int, Level | None], found: dict[int, Maker]) -> None:
        for said in layer.said:
            before = levels.get(said.send)
            level = levels[said.send] = laid_over(before, said.change)
            if isinstance(said.change, SetTo) or level != before:
                stands = self._text.place(said.place)
                found[said.send] = Maker(layer.kind, name, self._text.line(stands) if stands else 0)

    def _maker(self, send: int, state: State, base: Levels, layers: dict[int, Maker], moved: bool) -> Maker:
        plan = self.plan
        bounds, level = plan.bounds[send], base[send]
        if bounds is None or level is None or state.wanted[send] is None:
            return Maker(NOTHING)
        if send in state.left and state.asked[send] != state.steps[send]:
            return Maker(BY_HAND)
        listener, column = divmod(send, plan.width)
        # What nobody has touched is the greater part, and needs no more than its ceiling looked at.
        alone = target_of(plan, send, state.wishes, base) if moved else held_at(level, bounds.top)
        if isinstance(alone, int):
            if listener in state.hushed and (column == plan.whole or not self._whole_is_driven(listener, base)):
                return Maker(BY_HUSH)
            if listener in state.held and column != plan.whole:
                return Maker(BY_MIX)
        ride, free = state.rides.get(send, 0), level
        if moved:
            free_of = replace(bounds, ceiling=BEYOND, grid=UNBOUNDED)
            nudged = target(level, send, state.nudges, ride, free_of)
            free = level if nudged is None else nudged
        if alone != free:
            return Maker(BY_CEILING if bounds.ceiling <= bounds.grid.highest else BY_RANGE)
        if moved and free != level:
            return Maker(BY_TREADLE if ride else BY_NUDGE)
        return layers[send]

    def _whole_is_driven(self, listener: int, base: Levels) -> bool:
        """Then a hush takes it down, and not each of the inputs."""
        send = self.plan.send(listener, self.plan.whole)
        return self.plan.bounds[send] is not None and isinstance(base[send], int)


def held_at(level: Level, top: int) -> Level:
    """A level at or below the highest that there is."""
    return min(level, top) if isinstance(level, int) else level


WISHES: Final = {
    "nudge": "nudge by {}",
    "nudge rest": "nudge of the rest by {}",
    "ride": "treadle of {}",
    "clear nudges": "nudges cleared by {}",
    "hush": "hush by {}",
    "undo": "undo by {}",
    "hand": "hand at the {}",
    "read": "read from the {}",
    "edit": "{}",
}
"""What people did that moves levels at one place; whatever else moves them is a layer's doing."""
