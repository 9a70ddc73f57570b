"""Ceilings that the rig says, and that are above the highest level of the desk: nothing ever comes up to them."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from stagectl.core.levels import text
from stagectl.errors import Advice
from stagectl.show.names import WHOLE

if TYPE_CHECKING:
    from stagectl.core.plan import Plan
    from stagectl.show.load import Show
    from stagectl.show.rig import RigModel
    from stagectl.show.yamltext import Path


def ceiling_advice(show: Show, plan: Plan) -> Iterator[Advice]:
    """Each ceiling that bounds nothing."""
    source = show.sources["rig"]
    for place, ceiling in _said(show.rig):
        grid = plan.whole_grid if place[-1] == WHOLE else plan.grid
        if grid is not None and ceiling > grid.highest:
            says = f"a ceiling of {text(ceiling)} bounds nothing: the desk goes no higher than {text(grid.highest)}"
            yield source.advice(says, *place)


def _said(rig: RigModel) -> Iterator[tuple[Path, int]]:
    """The ceilings of sends that the rig says, hundredths of a dB, with their places."""
    if "ceiling" in rig.model_fields_set:
        yield ("ceiling",), rig.ceiling
    for at, listener in enumerate(rig.listeners):
        if listener.ceiling is not None:
            yield ("listeners", at, "ceiling"), listener.ceiling
        for name, ceiling in listener.ceilings.items():
            yield ("listeners", at, "ceilings", name), ceiling
