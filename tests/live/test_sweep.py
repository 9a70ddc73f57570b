"""Garbage is collected between presses. The judge is the collector itself: `gc.callbacks` hears every collection that
Python makes, by whomever it was asked for (library reference, gc)."""

from __future__ import annotations

import gc
from collections.abc import Iterator
from typing import Any

import pytest
from msgspec.structs import replace

from stagectl.core.plan import Plan
from stagectl.core.state import State, begin
from stagectl.live.sweep import PILES_MAX, QUIET_NS, WHOLE_S, Sweep
from stagectl.show.compile import compile_show
from stagectl.show.load import load_show
from stagectl.where import shipped

SECOND = 1_000_000_000


class Stage:
    """A state that stands still, a clock that is turned by hand, and what was collected."""

    def __init__(self, plan: Plan) -> None:
        self.state: State = begin(plan, 0)
        self.now = 10 * SECOND
        self.collected: list[int] = []
        self.sweep = Sweep(lambda: self.state, lambda: self.now)

    def hear(self, phase: str, info: dict[str, Any]) -> None:
        if phase == "stop":
            self.collected.append(info["generation"])


@pytest.fixture
def stage() -> Iterator[Stage]:
    one = Stage(compile_show(load_show(shipped("setlists") / "three-songs")).plan)
    one.sweep.begin()
    gc.callbacks.append(one.hear)
    yield one
    gc.callbacks.remove(one.hear)
    one.sweep.end()


def test_nothing_is_collected_by_itself(stage: Stage) -> None:
    kept = [[at] for at in range(20_000)]
    assert stage.collected == []
    assert kept


def test_what_is_new_is_collected_in_a_quiet_moment(stage: Stage) -> None:
    assert stage.sweep.look()
    assert stage.collected == [0]


@pytest.mark.parametrize("ago", [0, QUIET_NS - 1])
def test_not_right_after_something_has_happened(stage: Stage, ago: int) -> None:
    stage.state = replace(stage.state, now=stage.now - ago)
    assert not stage.sweep.look()
    assert stage.collected == []


def test_not_while_something_is_due_soon(stage: Stage) -> None:
    stage.state = replace(stage.state, starts=stage.now + QUIET_NS - 1)
    assert not stage.sweep.look()
    stage.state = replace(stage.state, starts=stage.now + QUIET_NS)
    assert stage.sweep.look()


def test_everything_is_collected_now_and_then(stage: Stage) -> None:
    looks = [stage.sweep.look()]
    stage.now += int(WHOLE_S * SECOND)
    looks += [stage.sweep.look(), stage.sweep.look()]
    assert looks == [True] * 3
    assert stage.collected == [0, 2, 0]


def test_what_piles_up_in_a_flood_is_bounded(stage: Stage) -> None:
    # Some hundred at the most are used again, and count as no new ones.
    kept = [[at] for at in range(PILES_MAX + 200)]
    stage.state = replace(stage.state, now=stage.now)
    assert stage.sweep.look()
    assert kept
    assert stage.collected == [0]


def test_what_holds_itself_is_let_go_of(stage: Stage) -> None:
    held: list[Any] = []
    held.append(held)
    del held
    stage.now += int(WHOLE_S * SECOND)
    before = len(gc.get_objects())
    assert stage.sweep.look()
    assert len(gc.get_objects()) < before


def test_the_collector_works_by_itself_afterwards(stage: Stage) -> None:
    assert gc.get_freeze_count() > 10_000, "what was loaded is left out of every collection"
    stage.sweep.end()
    assert gc.isenabled()
    assert gc.get_freeze_count() == 0
    stage.sweep.begin()
