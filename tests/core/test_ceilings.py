"""No message ever asks for a send above its ceiling, and the test that says so would see it if one did."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from depth import examples
from hypothesis import Phase, given, settings
from msgspec.structs import replace
from shows import Night, nights, rest, run

from stagectl.core import nudges as nudges_module
from stagectl.core import targets as targets_module
from stagectl.core.grid import Grid
from stagectl.core.levels import Level, Off
from stagectl.core.limits import Bounds
from stagectl.core.nudges import Nudges


def asks_keep_their_bounds(night: Night) -> None:
    """Every level asked for is one that the desk can say, at or below the send's ceiling."""
    plan = night.plan
    for ask in rest(plan, run(plan, night.events)).asks:
        for send, level in ask.levels:
            grid = plan.whole_grid if send % (len(plan.inputs) + 1) == len(plan.inputs) else plan.grid
            assert grid is not None, f"the desk has no message for {plan.send_name(send)}"
            if isinstance(level, Off):
                assert grid.has_off
            else:
                assert level <= plan.ceilings[send]
                assert level <= max(grid.steps)
                assert level in grid.steps


@settings(max_examples=examples(40))
@given(nights())
def test_no_ask_is_above_ceiling_or_desk(night: Night) -> None:
    asks_keep_their_bounds(night)


def _is_caught() -> None:
    """The property fails on some night. Not shrunk: that there is one is enough."""

    @settings(max_examples=125, database=None, phases=(Phase.generate,), print_blob=False, report_multiple_bugs=False)
    @given(nights())
    def property_(night: Night) -> None:
        asks_keep_their_bounds(night)

    with pytest.raises(AssertionError):
        property_()


def _without_top(real: Callable[[Grid, Level, int], Level]) -> Callable[[Grid, Level, int], Level]:
    def nearest(grid: Grid, level: Level, top: int) -> Level:
        return real(grid, level, max(grid.highest, top))

    return nearest


def test_a_grid_that_rounds_past_the_ceiling_is_caught(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Grid, "nearest", _without_top(Grid.nearest))
    _is_caught()


def test_nudges_that_forget_the_ceiling_are_caught(monkeypatch: pytest.MonkeyPatch) -> None:
    real = nudges_module.target

    def careless(base: Level | None, send: int, kept: Nudges, ride: int, bounds: Bounds) -> Level | None:
        return real(base, send, kept, ride, replace(bounds, ceiling=10_000))

    monkeypatch.setattr(nudges_module, "target", careless)
    monkeypatch.setattr(targets_module, "target", careless)
    monkeypatch.setattr(Grid, "nearest", _without_top(Grid.nearest))
    _is_caught()


def test_forgetting_it_in_one_place_alone_is_still_safe(monkeypatch: pytest.MonkeyPatch) -> None:
    """The grid holds what the nudges let through: two locks on one door."""
    real = nudges_module.target

    def careless(base: Level | None, send: int, kept: Nudges, ride: int, bounds: Bounds) -> Level | None:
        return real(base, send, kept, ride, replace(bounds, ceiling=10_000))

    monkeypatch.setattr(targets_module, "target", careless)

    @settings(max_examples=examples(25), database=None)
    @given(nights())
    def property_(night: Night) -> None:
        asks_keep_their_bounds(night)

    property_()
