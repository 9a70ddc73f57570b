"""The table of gestures against a naive model that reads a whole history of one foot anew each time."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Collection
from dataclasses import dataclass, replace
from typing import Any, cast
from unittest.mock import patch

import pytest
from hypothesis import Phase as RunPhase
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)
from shows import run, small_plan, timings

from stagectl.core import gestures
from stagectl.core.actions import Tell
from stagectl.core.effects import Reason, Refused, Told
from stagectl.core.events import Event, Moved, PedalWent, Wake
from stagectl.core.gestures import TABLE, Context, Edge, Gesture, Hand, Outcome, Phase, Timing, turn_hand
from stagectl.core.plan import MS, Control, Pedal

FOOT = (Gesture.PRESS, Gesture.RELEASE, Gesture.HOLD, Gesture.DOUBLE)

Fired = tuple[int, Gesture]
"""When a gesture fired, ns, and which."""


# -- the naive model ----------------------------------------------------------------------------------------


@dataclass(kw_only=True)
class Stroke:
    """One way down. `up`: when the foot came up, `gone`: when the cable was pulled, also after the way up."""

    down: int
    up: int | None = None
    gone: int | None = None


NEVER = 10**18


def expected(strokes: list[Stroke], now: int, mapped: Collection[Gesture], timing: Timing) -> list[Fired]:
    """What should have fired by `now`."""
    fired: list[Fired] = []
    # A press without a mapping is told too, to be refused; not where the mapping waits for its release.
    told = {*mapped, *(() if Gesture.RELEASE in mapped else (Gesture.PRESS,))}
    left = list(strokes)
    while left:
        first = left.pop(0)
        up = NEVER if first.up is None else first.up
        gone = NEVER if first.gone is None else first.gone
        end, window = first.down + timing.hold_ns, first.down + timing.double_ns
        release = (up, Gesture.RELEASE)
        hold, double = Gesture.HOLD in mapped, Gesture.DOUBLE in mapped
        if hold and end <= min(up, gone):
            meant = [(end, Gesture.HOLD), release]
        elif not hold and not double:
            meant = [(first.down, Gesture.PRESS), release]
        elif not double:
            meant = [(up, Gesture.PRESS), release]
        elif up < window:
            meant = [release]
            if left and left[0].down < min(window, gone):
                second = left.pop(0)
                gone = NEVER if second.gone is None else second.gone
                meant += [
                    (second.down, Gesture.DOUBLE),
                    (NEVER if second.up is None else second.up, Gesture.RELEASE),
                ]
            else:
                meant.append((window, Gesture.PRESS))
        elif hold:
            meant = [(up, Gesture.PRESS), release]
        else:
            meant = [(window, Gesture.PRESS), release]
        fired += [(at, gesture) for at, gesture in meant if at <= min(now, gone) and gesture in told]
    return fired


# -- the table as it runs -----------------------------------------------------------------------------------


MAPPINGS = st.sampled_from(
    [frozenset(some) for size in range(len(FOOT) + 1) for some in itertools.combinations(FOOT, size)]
)

WAITS = st.one_of(st.integers(0, 200), st.integers(0, 700), st.sampled_from((0, 1, 49, 50, 51, 100, 200)))
"""Milliseconds, many of them at the edges of the lengths that `timings` gives."""


class Foot(RuleBasedStateMachine):
    """A foot goes down and up and its cable is pulled, at any times."""

    def __init__(self) -> None:
        super().__init__()
        self.mapped: frozenset[Gesture] = frozenset()
        self.timing = Timing()
        self.now = 0
        self.hand: Hand | None = None
        self.fired: list[Fired] = []
        self.strokes: list[Stroke] = []

    @initialize(mapped=MAPPINGS, timing=timings())
    def map(self, mapped: frozenset[Gesture], timing: Timing) -> None:
        self.mapped, self.timing = mapped, timing

    def edge(self, edge: Edge) -> bool:
        outcome = turn_hand(self.hand, edge, self.now, self.mapped, self.timing)
        if outcome is None:
            return False
        self.hand = outcome.hand
        self.fired += [(self.now, gesture) for gesture in outcome.fired]
        return True

    @rule(ms=WAITS)
    def wait(self, ms: int) -> None:
        until = self.now + ms * MS
        while self.hand is not None and self.hand.due is not None and self.hand.due <= until:
            self.now = max(self.now, self.hand.due)
            assert self.edge(Edge.DUE)
        self.now = until

    @property
    def is_down(self) -> bool:
        last = self.strokes[-1] if self.strokes else None
        return last is not None and last.up is None and last.gone is None

    @rule(after=WAITS)
    def down(self, after: int) -> None:
        self.wait(after)
        was_down = self.is_down
        assert self.edge(Edge.DOWN) is not was_down
        if not was_down:
            self.strokes.append(Stroke(down=self.now))

    @precondition(lambda self: bool(cast("Foot", self).strokes))
    @rule(after=WAITS)
    def up(self, after: int) -> None:
        self.wait(after)
        was_down = self.is_down
        assert self.edge(Edge.UP) is was_down
        if was_down:
            self.strokes[-1].up = self.now

    @precondition(lambda self: bool(cast("Foot", self).strokes))
    @rule(after=WAITS)
    def gone(self, after: int) -> None:
        self.wait(after)
        before = self.expected()
        pending = self.is_down or before != expected(self.strokes, NEVER - 1, self.mapped, self.timing)
        done = self.edge(Edge.GONE)
        assert done or not pending
        if self.strokes[-1].gone is None:
            self.strokes[-1].gone = self.now
        assert self.fired == before

    @precondition(lambda self: not cast("Foot", self).is_down)
    @rule(after=WAITS, length=st.integers(0, 150))
    def tap(self, after: int, length: int) -> None:
        self.down(after)
        self.up(length)

    def expected(self) -> list[Fired]:
        return expected(self.strokes, self.now, self.mapped, self.timing)

    @invariant()
    def fires_what_the_theory_says(self) -> None:
        assert self.fired == self.expected()


RUNS = settings(max_examples=150, stateful_step_count=25)

TestFoot = Foot.TestCase
TestFoot.settings = RUNS


# -- planted bugs -------------------------------------------------------------------------------------------

Row = Callable[[Context], Outcome]


def _forgets_the_window(_: Context) -> Outcome:
    return Outcome(None, (Gesture.PRESS, Gesture.RELEASE))


def _presses_instead_of_holding(c: Context) -> Outcome:
    assert c.hand is not None
    return Outcome(Hand(phase=Phase.SPENT, since=c.hand.since), (Gesture.PRESS,))


def _takes_a_pulled_cable_for_a_foot(_: Context) -> Outcome:
    return Outcome(None, (Gesture.PRESS,))


def _counts_the_window_from_the_way_up(c: Context) -> Outcome:
    outcome = TABLE_AS_IT_IS[Phase.WAIT, Edge.UP](c)
    if outcome.hand is None:
        return outcome
    return Outcome(replace(outcome.hand, due=c.now + c.timing.double_ns), outcome.fired)


def _fires_the_double_on_the_way_up(c: Context) -> Outcome:
    assert c.hand is not None
    return Outcome(Hand(phase=Phase.SPENT, since=c.hand.since), ())


TABLE_AS_IT_IS = dict(TABLE)

BUGS: list[tuple[Phase, Edge, Row]] = [
    (Phase.WAIT, Edge.UP, _forgets_the_window),
    (Phase.WAIT, Edge.UP, _counts_the_window_from_the_way_up),
    (Phase.WAIT, Edge.DUE, _presses_instead_of_holding),
    (Phase.WAIT, Edge.GONE, _takes_a_pulled_cable_for_a_foot),
    (Phase.BETWEEN, Edge.GONE, _takes_a_pulled_cable_for_a_foot),
    (Phase.BETWEEN, Edge.DOWN, _fires_the_double_on_the_way_up),
]


@pytest.mark.parametrize(("phase", "edge", "row"), BUGS, ids=lambda part: getattr(part, "__name__", ""))
def test_a_wrong_row_is_caught(phase: Phase, edge: Edge, row: Row) -> None:
    once = settings(
        RUNS,
        max_examples=5_000,
        database=None,
        phases=(RunPhase.generate,),
        print_blob=False,
        report_multiple_bugs=False,
    )
    with patch.dict(cast("dict[Any, Any]", gestures.TABLE), {(phase, edge): row}), pytest.raises(AssertionError):
        run_state_machine_as_test(Foot, settings=once)


# -- every pair -----------------------------------------------------------------------------------------------

HANDS: dict[Phase, Hand | None] = {
    Phase.IDLE: None,
    Phase.WAIT: Hand(phase=Phase.WAIT, since=0, due=600 * MS),
    Phase.BETWEEN: Hand(phase=Phase.BETWEEN, since=0, due=350 * MS),
    Phase.SPENT: Hand(phase=Phase.SPENT, since=0),
}

MEANS_NOTHING = {
    (Phase.IDLE, Edge.UP),
    (Phase.IDLE, Edge.DUE),
    (Phase.IDLE, Edge.GONE),
    (Phase.WAIT, Edge.DOWN),
    (Phase.BETWEEN, Edge.UP),
    (Phase.SPENT, Edge.DOWN),
    (Phase.SPENT, Edge.DUE),
}


@pytest.mark.parametrize("phase", Phase, ids=lambda phase: phase.value)
@pytest.mark.parametrize("edge", Edge, ids=lambda edge: edge.value)
def test_every_pair_means_something_or_is_refused(phase: Phase, edge: Edge) -> None:
    outcome = turn_hand(HANDS[phase], edge, 100 * MS, FOOT, Timing())
    assert (outcome is None) is ((phase, edge) in MEANS_NOTHING)
    assert ((phase, edge) in TABLE) is (outcome is not None)


@pytest.mark.parametrize("phase", [Phase.WAIT, Phase.BETWEEN, Phase.SPENT], ids=lambda phase: phase.value)
def test_a_pulled_cable_fires_nothing(phase: Phase) -> None:
    assert turn_hand(HANDS[phase], Edge.GONE, 100 * MS, FOOT, Timing()) == Outcome(None, ())


# -- the same through the one door ------------------------------------------------------------------------------


@settings(max_examples=150)
@given(
    MAPPINGS,
    timings(),
    st.lists(st.tuples(st.integers(0, 400), st.sampled_from((*"dudududu", "gone", "wake"))), max_size=20),
)
def test_events_fire_what_the_theory_says(
    mapped: frozenset[Gesture], timing: Timing, moves: list[tuple[int, str]]
) -> None:
    """Through `step`: each gesture at its nominal time, however late the core hears of the time."""
    does = {gesture: Tell(message=at) for at, gesture in enumerate(FOOT) if gesture in mapped}
    pedal = Pedal(name="board", controls=(Control(name="left", does=does, timing=timing),))
    plan = small_plan((-1_000,), pedals=(pedal,), messages=len(FOOT))
    now, strokes, events = 0, list[Stroke](), list[tuple[int, Event]]()
    for gap, move in moves:
        now += gap * MS
        last = strokes[-1] if strokes else Stroke(down=0, up=0, gone=0)
        is_down = last.up is None and last.gone is None
        if move == "d":
            events.append((now, Moved(pedal=0, control=0, value=64)))
            if not is_down:
                strokes.append(Stroke(down=now))
        elif move == "u":
            events.append((now, Moved(pedal=0, control=0, value=63)))
            if is_down:
                last.up = now
        elif move == "gone":
            events.append((now, PedalWent(pedal=0)))
            if last.gone is None:
                last.gone = now
        else:
            events.append((now, Wake()))
    end = now + 10**10
    ran = run(plan, [*events, (end, Wake())])
    found = [(told.at, FOOT[told.message]) for told in ran.of(Told)]
    assert found == [fired for fired in expected(strokes, end, mapped, timing) if fired[1] in mapped]
    unmapped = [refused.at for refused in ran.of(Refused) if refused.reason is Reason.NOT_MAPPED]
    assert unmapped == [at for at, gesture in expected(strokes, end, mapped, timing) if gesture not in mapped]


def test_a_switch_that_never_says_release_presses_at_once() -> None:
    does = {Gesture.PRESS: Tell(message=0)}
    pedal = Pedal(name="board", controls=(Control(name="left", does=does, gives_release=False),))
    plan = small_plan((-1_000,), pedals=(pedal,), messages=1)
    ran = run(plan, [(at, Moved(pedal=0, control=0, value=at)) for at in (0, 5, 127)])
    assert [told.at for told in ran.of(Told)] == [0, 5, 127]
