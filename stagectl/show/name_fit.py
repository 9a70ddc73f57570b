"""Texts that may have been meant otherwise, or are easily taken for one another."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Final

from stagectl.errors import Advice
from stagectl.show.names import twice
from stagectl.show.source import Source

if TYPE_CHECKING:
    from stagectl.core.plan import Plan
    from stagectl.show.load import Show

_NAMES: Final = ("name", "title", "go to", "section")
"""Keys of names in which a `#` may well stand. Behind a level, say, it begins a comment."""


def name_advice(show: Show, _plan: Plan) -> Iterator[Advice]:
    """Texts with quotes that are none to YAML, or that a `#` has cut off; songs, inputs and listeners that differ in
    the case of their letters alone."""
    for source in show.sources.values():
        for place, unsure in source.text.unsure.items():
            if place[-1] in _NAMES or not unsure.cut:
                yield source.advice(str(unsure), *place)
    setlist, rig = show.sources["setlist"], show.sources["rig"]
    yield from _alike("song", "songs", (one.name for one in show.setlist.songs), setlist)
    yield from _alike("input", "inputs", (one.name for one in show.rig.inputs), rig)
    yield from _alike("listener", "listeners", (one.name for one in show.rig.listeners), rig)


def _alike(what: str, key: str, names: Iterable[str], source: Source) -> Iterator[Advice]:
    known = list(names)
    for at, first, _ in twice(name.casefold() for name in known):
        line = source.text.line((key, first, "name"))
        says = f"the {what} `{known[at]}` differs from `{known[first]}` in line {line} by capital letters alone"
        yield source.advice(f"{says}; call one of them otherwise", key, at, "name")
