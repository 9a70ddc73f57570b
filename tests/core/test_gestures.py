"""The table of gestures against a naive model that reads a whole history of one foot anew each time."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from random import Random
from typing import Any, cast
from unittest.mock import patch

import pytest
from depth import examples
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
)
from msgspec.structs import replace
from shows import FOOT, run, small_plan, timings

from stagectl.core import gestures
from stagectl.core.actions import Action, Tell
from stagectl.core.contacts import Switch
from stagectl.core.effects import Reason, Refused, Told
from stagectl.core.events import Event, Moved, PedalWent, Wake
from stagectl.core.feet import Control, Pedal
from stagectl.core.gestures import (
    REPEAT_MAX,
    TABLE,
    Context,
    Edge,
    Gesture,
    Hand,
    Outcome,
    Phase,
    Timing,
    turn_hand,
)
from stagectl.core.plan import MS

DOES: Mapping[Gesture, Action] = {gesture: Tell(message=at) for at, gesture in enumerate(FOOT)}


def does(mapped: Collection[Gesture]) -> dict[Gesture, Action]:
    """Something for each of these gestures."""
    return {gesture: action for gesture, action in DOES.items() if gesture in mapped}


Fired = tuple[int, Gesture]
"""When a gesture fired, ns, and which."""


# -- the naive model ----------------------------------------------------------------------------------------


@dataclass(kw_only=True)
class Stroke:
    """One way down. `up`: when the foot came up, `gone`: when the cable was pulled, also after the way up.
    `joined`: a partner came down in time, or was there already."""

    down: int
    joined: bool = False
    up: int | None = None
    gone: int | None = None


NEVER = 10**18


def expected(strokes: list[Stroke], now: int, mapped: Collection[Gesture], timing: Timing) -> list[Fired]:
    """What should have fired by `now`."""
    fired: list[Fired] = []
    # A press without a mapping is told too, to be refused; not where the mapping waits for its release.
    told = {*mapped, *(() if Gesture.RELEASE in mapped else (Gesture.PRESS,))}
    left = list(strokes)
    hold, double = Gesture.HOLD in mapped, Gesture.DOUBLE in mapped
    while left:
        first = left.pop(0)
        if first.joined:
            continue
        up = NEVER if first.up is None else first.up
        gone = NEVER if first.gone is None else first.gone
        alone = first.down + timing.together_ns
        end, window = max(first.down + timing.hold_ns, alone), first.down + timing.double_ns
        release = (up, Gesture.RELEASE)
        if hold and end <= min(up, gone):
            meant = [(end, Gesture.HOLD), release]
        elif double and up < window:
            # A release that ends a press comes after it; that of the first of two ends none.
            single = Gesture.PRESS in mapped
            meant = [] if single else [release]
            if left and left[0].down < min(window, gone):
                second = left.pop(0)
                gone = NEVER if second.gone is None else second.gone
                meant += [
                    (second.down, Gesture.DOUBLE),
                    (NEVER if second.up is None else second.up, Gesture.RELEASE),
                ]
            else:
                meant += [(window, Gesture.PRESS), *([(window, Gesture.RELEASE)] if single else [])]
        elif hold:
            meant = [(up, Gesture.PRESS), release]
        else:
            at = min(up, max(window, alone)) if double else min(up, alone)
            again = repeats(at, min(up, gone), timing) if Gesture.REPEAT in mapped else []
            if Gesture.REPEAT in mapped and Gesture.PRESS not in mapped:
                at = NEVER if again else up
            meant = [(at, Gesture.PRESS), *again, release]
        fired += [(at, gesture) for at, gesture in meant if at <= min(now, gone) and gesture in told]
    return fired


def repeats(press: int, ends: int, timing: Timing) -> list[Fired]:
    """The repeats after a press, while the foot stays down."""
    gaps = [timing.repeat_ns]
    while len(gaps) < 100:
        gaps.append(max(timing.fastest_ns, gaps[-1] * 4 // 5))
    times = [press + gap for gap in itertools.accumulate(gaps)]
    return [(at, Gesture.REPEAT) for at in times if at <= ends < NEVER or (ends == NEVER and at < NEVER)]


# -- the table as it runs -----------------------------------------------------------------------------------


MAPPINGS = st.sampled_from(
    [frozenset(some) for size in range(len(FOOT) + 1) for some in itertools.combinations(FOOT, size)]
)

TOGETHERS = st.sampled_from((0, 0, 50 * MS, 100 * MS))

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

    @initialize(mapped=MAPPINGS, timing=timings(), together_ns=TOGETHERS)
    def map(self, mapped: frozenset[Gesture], timing: Timing, together_ns: int) -> None:
        self.mapped, self.timing = mapped, replace(timing, together_ns=together_ns)

    def edge(self, edge: Edge) -> bool:
        outcome = turn_hand(self.hand, edge, self.now, does(self.mapped), self.timing)
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

    @rule(after=st.integers(0, 120))
    def joined(self, after: int) -> None:
        """The pair of which it is a part is pressed."""
        self.wait(after)
        last = self.strokes[-1] if self.strokes else None
        phase = Phase.IDLE if self.hand is None else self.hand.phase
        before = list(self.fired)
        assert self.edge(Edge.JOINED) is (phase in (Phase.IDLE, Phase.APART))
        assert self.fired == before
        if phase is Phase.APART:
            assert last is not None
            assert self.now < last.down + self.timing.together_ns
            last.joined = True
        elif phase is Phase.IDLE:
            self.strokes.append(Stroke(down=self.now, joined=True))

    @precondition(lambda self: cast("Foot", self).is_down)
    @rule(ms=st.integers(0, 3_000))
    def stand(self, ms: int) -> None:
        """Stay on it for long."""
        self.wait(ms)

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


RUNS = settings(max_examples=examples(75), stateful_step_count=25)

TestFoot = Foot.TestCase
TestFoot.settings = RUNS


# -- planted bugs -------------------------------------------------------------------------------------------

Row = Callable[[Context], Outcome]


def _forgets_the_window(_: Context) -> Outcome:
    return Outcome(None, (Gesture.PRESS, Gesture.RELEASE))


def _presses_instead_of_holding(c: Context) -> Outcome:
    return Outcome(c.to(Phase.SPENT), (Gesture.PRESS,))


def _takes_a_pulled_cable_for_a_foot(_: Context) -> Outcome:
    return Outcome(None, (Gesture.PRESS,))


def _counts_the_window_from_the_way_up(c: Context) -> Outcome:
    outcome = TABLE_AS_IT_IS[Phase.WAIT, Edge.UP](c)
    if outcome.hand is None:
        return outcome
    return Outcome(replace(outcome.hand, due=c.now + c.timing.double_ns), outcome.fired)


def _fires_the_double_on_the_way_up(c: Context) -> Outcome:
    return Outcome(c.to(Phase.SPENT), ())


def _repeats_at_an_even_pace(c: Context) -> Outcome:
    return Outcome(c.to(Phase.REPEAT, c.now + c.timing.repeat_ns, c.timing.repeat_ns, 1), (Gesture.REPEAT,))


def _repeats_after_the_foot_is_gone(c: Context) -> Outcome:
    return Outcome(c.hand, (Gesture.RELEASE,))


def _waits_for_the_partner_after_the_way_up(c: Context) -> Outcome:
    return Outcome(c.hand, ())


def _fires_the_press_beside_its_pair(c: Context) -> Outcome:
    return Outcome(c.to(Phase.TAKEN), (Gesture.PRESS,))


def _fires_the_release_of_a_pair(_: Context) -> Outcome:
    return Outcome(None, (Gesture.RELEASE,))


def _counts_the_hold_from_the_end_of_the_wait(c: Context) -> Outcome:
    return TABLE_AS_IT_IS[Phase.IDLE, Edge.DOWN](
        replace(c, hand=None, since=c.now, timing=replace(c.timing, together_ns=0))
    )


TABLE_AS_IT_IS = dict(TABLE)

BUGS: list[tuple[Phase, Edge, Row]] = [
    (Phase.WAIT, Edge.UP, _forgets_the_window),
    (Phase.WAIT, Edge.UP, _counts_the_window_from_the_way_up),
    (Phase.WAIT, Edge.DUE, _presses_instead_of_holding),
    (Phase.WAIT, Edge.GONE, _takes_a_pulled_cable_for_a_foot),
    (Phase.BETWEEN, Edge.GONE, _takes_a_pulled_cable_for_a_foot),
    (Phase.BETWEEN, Edge.DOWN, _fires_the_double_on_the_way_up),
    (Phase.REPEAT, Edge.DUE, _repeats_at_an_even_pace),
    (Phase.REPEAT, Edge.UP, _repeats_after_the_foot_is_gone),
    (Phase.REPEAT, Edge.GONE, _takes_a_pulled_cable_for_a_foot),
    (Phase.APART, Edge.UP, _waits_for_the_partner_after_the_way_up),
    (Phase.APART, Edge.DUE, _counts_the_hold_from_the_end_of_the_wait),
    (Phase.APART, Edge.JOINED, _fires_the_press_beside_its_pair),
    (Phase.TAKEN, Edge.UP, _fires_the_release_of_a_pair),
]


WALKS = 200
"""So many feet walk. Without a bug none stumbles; with one, some do."""


def walk(some: Random) -> None:
    """Be a foot as the machine above draws it, by a seed: nothing is to be made short, and drawing costs more than
    walking."""
    foot = Foot()
    lengths = {name: some.randint(1, 12) * 50 * MS for name in ("hold_ns", "double_ns", "repeat_ns", "fastest_ns")}
    mapped = frozenset(one for one in FOOT if some.random() < 0.5)
    foot.mapped, foot.timing = mapped, Timing(**lengths, together_ns=some.choice((0, 50, 100)) * MS)
    for _ in range(25):
        does = some.choice((foot.wait, foot.down, foot.up, foot.gone, foot.joined, foot.stand, foot.tap))
        if does in (foot.up, foot.gone) and not foot.strokes:
            continue
        if does == foot.tap and not foot.is_down:
            foot.tap(some.randint(0, 700), some.randint(0, 150))
        elif does != foot.tap and (does != foot.stand or foot.is_down):
            does(some.choice((some.randint(0, 200), some.randint(0, 700), some.choice((0, 1, 49, 50, 51, 100, 200)))))
        foot.fires_what_the_theory_says()


def walk_all() -> None:
    for seed in range(WALKS):
        walk(Random(seed))


def test_feet_that_walk_by_a_seed_do_as_the_theory_says() -> None:
    walk_all()


@pytest.mark.parametrize(("phase", "edge", "row"), BUGS, ids=lambda part: getattr(part, "__name__", ""))
def test_a_wrong_row_is_caught(phase: Phase, edge: Edge, row: Row) -> None:
    with patch.dict(cast("dict[Any, Any]", gestures.TABLE), {(phase, edge): row}), pytest.raises(AssertionError):
        walk_all()


# -- every pair -----------------------------------------------------------------------------------------------

DUES = {Phase.APART: 150, Phase.WAIT: 600, Phase.BETWEEN: 350, Phase.REPEAT: 400}

HANDS: dict[Phase, Hand | None] = {
    phase: None
    if phase is Phase.IDLE
    else Hand(phase=phase, since=0, due=DUES[phase] * MS if phase in DUES else None, does=DOES, gap=400 * MS)
    for phase in Phase
}

MEANS_NOTHING = {
    (Phase.IDLE, Edge.UP),
    (Phase.IDLE, Edge.DUE),
    (Phase.IDLE, Edge.GONE),
    (Phase.APART, Edge.DOWN),
    (Phase.WAIT, Edge.DOWN),
    (Phase.WAIT, Edge.JOINED),
    (Phase.BETWEEN, Edge.UP),
    (Phase.BETWEEN, Edge.JOINED),
    (Phase.REPEAT, Edge.DOWN),
    (Phase.REPEAT, Edge.JOINED),
    (Phase.SPENT, Edge.DOWN),
    (Phase.SPENT, Edge.DUE),
    (Phase.SPENT, Edge.JOINED),
    (Phase.TAKEN, Edge.DOWN),
    (Phase.TAKEN, Edge.DUE),
    (Phase.TAKEN, Edge.JOINED),
}


@pytest.mark.parametrize("phase", Phase, ids=lambda phase: phase.value)
@pytest.mark.parametrize("edge", Edge, ids=lambda edge: edge.value)
def test_every_pair_means_something_or_is_refused(phase: Phase, edge: Edge) -> None:
    outcome = turn_hand(HANDS[phase], edge, 100 * MS, DOES, Timing())
    assert (outcome is None) is ((phase, edge) in MEANS_NOTHING)
    assert ((phase, edge) in TABLE) is (outcome is not None)


@pytest.mark.parametrize("phase", [phase for phase in Phase if phase is not Phase.IDLE], ids=lambda phase: phase.value)
def test_a_pulled_cable_fires_nothing(phase: Phase) -> None:
    assert turn_hand(HANDS[phase], Edge.GONE, 100 * MS, DOES, Timing()) == Outcome(None, ())


def test_a_foot_that_never_leaves_repeats_no_more_than_so_often() -> None:
    timing = Timing(repeat_ns=400 * MS, fastest_ns=80 * MS)
    outcome = turn_hand(None, Edge.DOWN, 0, DOES_REPEAT, timing)
    times = []
    while outcome is not None and outcome.hand is not None and outcome.hand.due is not None:
        times.append(outcome.hand.due)
        outcome = turn_hand(outcome.hand, Edge.DUE, outcome.hand.due, DOES_REPEAT, timing)
    gaps = [later - sooner for sooner, later in itertools.pairwise([0, *times])]
    assert len(times) == REPEAT_MAX
    # 400 ms times four fifths, again and again, until 80 ms.
    assert [gap // MS for gap in gaps[:10]] == [400, 320, 256, 204, 163, 131, 104, 83, 80, 80]
    assert set(gaps[8:]) == {80 * MS}


DOES_REPEAT = {Gesture.PRESS: Tell(message=0), Gesture.REPEAT: Tell(message=1)}


def test_what_was_mapped_at_the_way_down_counts() -> None:
    """A song change under a held foot does not change the gesture."""
    hold = {Gesture.PRESS: Tell(message=0), Gesture.HOLD: Tell(message=1)}
    down = turn_hand(None, Edge.DOWN, 0, hold, Timing())
    assert down is not None
    assert down.hand is not None
    up = turn_hand(down.hand, Edge.UP, 100 * MS, {Gesture.DOUBLE: Tell(message=2)}, Timing())
    assert up == Outcome(None, (Gesture.PRESS,))
    assert down.hand.does == hold


# -- the same through the one door ------------------------------------------------------------------------------


@settings(max_examples=examples(75))
@given(
    MAPPINGS,
    timings(),
    st.lists(st.tuples(st.integers(0, 400), st.sampled_from((*"dudududu", "gone", "wake"))), max_size=20),
)
def test_events_fire_what_the_theory_says(
    mapped: frozenset[Gesture], timing: Timing, moves: list[tuple[int, str]]
) -> None:
    """Through `step`: each gesture at its nominal time, however late the core hears of the time."""
    switch = Switch(bounce_ns=0)
    pedal = Pedal(name="board", controls=(Control(name="left", does=does(mapped), timing=timing, switch=switch),))
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
    end = now + 10**11
    ran = run(plan, [*events, (end, Wake())])
    found = [(told.at, FOOT[told.message]) for told in ran.of(Told)]
    assert found == [fired for fired in expected(strokes, end, mapped, timing) if fired[1] in mapped]
    unmapped = [refused.at for refused in ran.of(Refused) if refused.reason is Reason.NOT_MAPPED]
    assert unmapped == [at for at, gesture in expected(strokes, end, mapped, timing) if gesture not in mapped]


@pytest.mark.parametrize(
    ("gestures", "moves", "refused"),
    [
        ((Gesture.PRESS, Gesture.DOUBLE), ((1, 127), (100, 0)), True),
        ((Gesture.PRESS, Gesture.HOLD), ((1, 127),), True),
        ((Gesture.PRESS,), ((1, 127),), False),
        ((Gesture.PRESS, Gesture.HOLD), ((1, 127), (100, 0)), False),
    ],
)
def test_a_press_that_a_pulled_cable_leaves_undecided_is_refused(
    gestures: tuple[Gesture, ...], moves: tuple[tuple[int, int], ...], refused: bool
) -> None:
    """It fires nothing; what has fired before is not told of twice."""
    mapped = {gesture: Tell(message=0) for gesture in gestures}
    pedal = Pedal(name="board", controls=(Control(name="left", does=mapped, switch=Switch(bounce_ns=0)),))
    plan = small_plan((-1_000,), pedals=(pedal,), messages=1)
    pressed = [(at * MS, Moved(pedal=0, control=0, value=value)) for at, value in moves]
    ran = run(plan, [*pressed, (200 * MS, PedalWent(pedal=0)), (10**10, Wake())])
    told = [(one.at // MS, one.what, one.reason) for one in ran.of(Refused)]
    assert told == ([(200, "press", Reason.PEDAL_WENT)] if refused else [])
    assert len(ran.of(Told)) == (not refused)


def test_a_switch_that_never_says_release_presses_at_once() -> None:
    press = {Gesture.PRESS: Tell(message=0)}
    pedal = Pedal(name="board", controls=(Control(name="left", does=press, gives_release=False),))
    plan = small_plan((-1_000,), pedals=(pedal,), messages=1)
    ran = run(plan, [(at * 10 * MS, Moved(pedal=0, control=0, value=at)) for at in (0, 64, 80, 63, 127, 127)])
    assert [told.at for told in ran.of(Told)] == [640 * MS, 800 * MS, 1_270 * MS]
    # One that says after all that it was let go presses by that no second time.
    assert [refused.at for refused in ran.of(Refused) if refused.reason is Reason.ALREADY_UP] == [0, 800 * MS]
