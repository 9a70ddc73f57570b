"""What the sheet is made from."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from stagectl.sheet.scene_map import SceneMap, scene_map

if TYPE_CHECKING:
    from stagectl.core.plan import Plan
    from stagectl.show.compile import Compiled
    from stagectl.show.load import Show

PARTS: tuple[str, ...] = ("cue sheet", "inputs", "cards", "map")
"""The parts of a sheet, in their order."""


class Sheet(NamedTuple):
    """A show at a venue (None: as it stands). `dated`: of when its files are, in words."""

    show: Show
    plan: Plan
    venue: str | None
    dated: str
    map: SceneMap


def sheet_of(show: Show, compiled: Compiled, venue: str | None, dated: str) -> Sheet:
    """The facts of a sheet. `compiled`: the show at that venue."""
    return Sheet(show, compiled.plan, venue, dated, scene_map(show, compiled))
