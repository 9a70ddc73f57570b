"""What the base and every layer over it say of each send, with the place in the setlist where they say it.

A night's levels (`compile.py`) and the account of how one of them came about (`explain.py`) both follow from here.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cached_property
from typing import NamedTuple

from stagectl.core.levels import OFF
from stagectl.core.plan import Layer, Levels, SetTo, ShiftBy, layered
from stagectl.show.names import EVERYONE, REST, WHOLE, listeners_of, spread
from stagectl.show.rig import RigModel
from stagectl.show.setlist import LayerTexts, SetlistModel
from stagectl.show.yamltext import Path


class Said(NamedTuple):
    """What a layer says of a send. `place`: where in the setlist; it ends with the listener and the input as they are
    written there, or with the listener alone where the base does not name the input."""

    send: int
    change: SetTo | ShiftBy
    place: Path


class SaidLayer(NamedTuple):
    """The base, or one layer over it. `kind`: `base`, `venue`, `song`, `section` or `scene`."""

    kind: str
    said: tuple[Said, ...]

    @property
    def changes(self) -> Layer:
        """What it changes, in the order in which it counts: what it says of everyone comes first."""
        return tuple((one.send, one.change) for one in self.said)


class SaidLayers:
    """Every layer of a setlist, for a rig and a venue (None: no venue's)."""

    def __init__(self, setlist: SetlistModel, rig: RigModel, venue: str | None) -> None:
        self.setlist, self.rig, self.venue_name = setlist, rig, venue
        self.width = len(rig.inputs) + 1

    def ground(self) -> Levels:
        """The levels of the base at the venue."""
        nothing: Levels = (None,) * (self.width * len(self.rig.listeners))
        return layered(layered(nothing, self.base().changes), self.venue().changes)

    def at(self, song: int, section: int, scene: str | None = None) -> Iterator[SaidLayer]:
        """The base and the layers over it, lowest first. `song`, `section`: as in a `Stop`; `scene`: the one that was
        recalled over it."""
        yield self.base()
        yield self.venue()
        if song >= 0:
            yield self.song(song)
        if section >= 0:
            yield self.section(song, section)
        if scene is not None:
            yield self.scene(scene)

    def base(self) -> SaidLayer:
        """The base: a level for every input of every mix, and for the whole mixes that it names."""
        return self._base_layer

    @cached_property
    def _base_layer(self) -> SaidLayer:
        return SaidLayer("base", tuple(self._base()))

    def venue(self) -> SaidLayer:
        """The venue; nothing where none was chosen."""
        name = self.venue_name
        return self._layer("venue", {} if name is None else self.setlist.venues[name], "venues", name or "")

    def song(self, at: int) -> SaidLayer:
        """A song, by its index."""
        return self._layer("song", self.setlist.songs[at].levels, "songs", at, "levels")

    def section(self, at: int, part: int) -> SaidLayer:
        """A section of a song, by their indices."""
        levels = self.setlist.songs[at].sections[part].levels
        return self._layer("section", levels, "songs", at, "sections", part, "levels")

    def scene(self, name: str) -> SaidLayer:
        """A scene that a pedal recalls over a stop."""
        return self._layer("scene", self.setlist.scenes[name].levels, "scenes", name, "levels")

    def _base(self) -> Iterator[Said]:
        for at, listener in enumerate(self.rig.listeners):
            levels = self.setlist.base[listener.name]
            named = dict(spread(self.rig, listener, levels))
            for here, name in enumerate((*(one.name for one in self.rig.inputs), WHOLE)):
                key = named.get(here, REST if REST in levels else None)
                if here not in named and name == WHOLE:
                    continue
                place: Path = ("base", listener.name) if key is None else ("base", listener.name, key)
                yield Said(at * self.width + here, SetTo(OFF if key is None else levels[key]), place)

    def _layer(self, kind: str, texts: LayerTexts, *place: str | int) -> SaidLayer:
        return SaidLayer(kind, tuple(self._said(texts, place)))

    def _said(self, texts: LayerTexts, place: Path) -> Iterator[Said]:
        # What is said of one listener goes over what is said of everyone, wherever the two stand.
        for name, sends in sorted(texts.items(), key=lambda entry: entry[0] != EVERYONE):
            for at in listeners_of(self.rig, name):
                for here, input_ in spread(self.rig, self.rig.listeners[at], sends):
                    yield Said(at * self.width + here, sends[input_], (*place, name, input_))
