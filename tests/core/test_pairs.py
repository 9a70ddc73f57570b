"""Two controls together: the pair fires, and neither of the two alone."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from shows import Ran, run, small_plan

from stagectl.core.actions import Action, Tell
from stagectl.core.effects import Pressed, Told
from stagectl.core.events import Event, Moved, PedalWent, Wake
from stagectl.core.feet import Control, Pair, Pedal
from stagectl.core.gestures import Gesture, Timing
from stagectl.core.plan import MS, Plan
from stagectl.core.step import next_wake

END = 10**12
BOTH = 8
ALL = (Gesture.PRESS, Gesture.RELEASE, Gesture.HOLD, Gesture.DOUBLE)


def plan_of(*gestures: Gesture, within_ns: int = 50 * MS) -> Plan:
    """Three controls, of which the first two are a pair. Message 4 * control + n is gesture n of ALL, 8 the pair."""

    def tells(control: int) -> dict[Gesture, Action]:
        return {gesture: Tell(message=4 * control + ALL.index(gesture)) for gesture in gestures}

    timing = Timing(together_ns=within_ns)
    controls = (
        Control(name="left", does=tells(0), timing=timing),
        Control(name="right", does=tells(1), timing=timing),
        Control(name="other", does={Gesture.PRESS: Tell(message=9)}),
    )
    pair = Pair(first=0, second=1, does=Tell(message=BOTH), within_ns=within_ns)
    pedal = Pedal(name="board", controls=controls, pairs=(pair,))
    return small_plan((-1_000,), pedals=(pedal,), messages=10)


def go(plan: Plan, *moves: tuple[int, int, str]) -> Ran:
    """Each move: the time in ms, the control, `d` or `u`."""
    events: list[tuple[int, Event]] = [
        (at * MS, Moved(pedal=0, control=control, value=127 if way == "d" else 0)) for at, control, way in moves
    ]
    return run(plan, [*events, (END, Wake())])


def fired(ran: Ran) -> list[tuple[float, int]]:
    """Times in ms, and messages."""
    return [(told.at / MS, told.message) for told in ran.of(Told)]


@pytest.mark.parametrize("gestures", [(Gesture.PRESS,), ALL], ids=["press", "all"])
@pytest.mark.parametrize("apart", [0, 1, 49])
@pytest.mark.parametrize("first", [0, 1])
def test_two_feet_at_once_are_one_thing(gestures: tuple[Gesture, ...], apart: int, first: int) -> None:
    ran = go(plan_of(*gestures), (0, first, "d"), (apart, 1 - first, "d"), (900, 0, "u"), (900, 1, "u"))
    assert fired(ran) == [(apart, BOTH)]
    assert [pressed.gesture for pressed in ran.of(Pressed)] == ["together"]
    assert not ran.state.hands


@pytest.mark.parametrize("apart", [50, 51, 200])
def test_too_far_apart_is_each_alone(apart: int) -> None:
    ran = go(plan_of(Gesture.PRESS), (0, 0, "d"), (apart, 1, "d"), (900, 0, "u"), (900, 1, "u"))
    assert fired(ran) == [(50, 0), (50 + apart, 4)]


def test_a_tap_that_is_over_waits_no_longer() -> None:
    ran = go(plan_of(Gesture.PRESS), (0, 0, "d"), (30, 0, "u"), (40, 1, "d"), (300, 1, "u"))
    assert fired(ran) == [(30, 0), (90, 4)]


def test_a_control_of_no_pair_does_not_wait() -> None:
    assert fired(go(plan_of(Gesture.PRESS), (0, 2, "d"))) == [(0, 9)]


def test_gestures_count_from_the_way_down() -> None:
    assert fired(go(plan_of(*ALL), (0, 0, "d"), (700, 0, "u"))) == [(600, 2), (700, 1)]
    assert fired(go(plan_of(*ALL), (0, 0, "d"), (100, 0, "u"), (200, 0, "d"), (300, 0, "u"))) == [
        (200, 3),
        (300, 1),
    ]
    assert fired(go(plan_of(*ALL), (0, 0, "d"), (100, 0, "u"))) == [(350, 0), (350, 1)]


@given(st.integers(0, 120), st.booleans())
def test_a_pedal_that_goes_fires_nothing(at: int, both: bool) -> None:
    plan = plan_of(*ALL)
    downs: list[tuple[int, Event]] = [(0, Moved(pedal=0, control=control, value=127)) for control in range(1 + both)]
    ran = run(plan, [*downs, (at * MS, PedalWent(pedal=0)), (END, Wake())])
    assert fired(ran) == ([(0, BOTH)] if both else [])
    assert next_wake(ran.state) is None


@given(st.lists(st.tuples(st.integers(0, 120), st.integers(0, 1)), max_size=30))
def test_no_way_down_fires_twice(moves: list[tuple[int, int]]) -> None:
    """Feet by turns up and down, at least 25 ms apart on one switch: each way down is one press, alone or in a pair."""
    now, down, last, said = 0, [False, False], [-1_000, -1_000], list[tuple[int, int, str]]()
    for gap, control in moves:
        now += gap
        if now - last[control] > 25:
            down[control], last[control] = not down[control], now
            said.append((now, control, "d" if down[control] else "u"))
    found = [message for _, message in fired(go(plan_of(Gesture.PRESS), *said))]
    ways_down = [sum(one == (control, "d") for _, *one_ in said for one in [tuple(one_)]) for control in (0, 1)]
    assert [found.count(0) + found.count(BOTH), found.count(4) + found.count(BOTH)] == ways_down
