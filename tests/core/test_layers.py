"""What a control does where: its mapping, what a song lays over it, and the layer that a foot has asked for."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace
from shows import FOOT, Night, nights, run, settled, small_plan, wish

from stagectl.core.actions import Action, Next, Nothing, Nudge, Ride, SwitchLayer
from stagectl.core.effects import Effect, Layered, Pressed, Reason, Refused
from stagectl.core.events import Event, Moved, PedalCame, PedalWent
from stagectl.core.feet import Control, FootLayer, Pedal, overridden
from stagectl.core.gestures import Gesture
from stagectl.core.plan import MS, Plan
from stagectl.core.state import begin
from stagectl.core.step import step

LOUDER, SOFTER = Nudge(by=100, column=0), Nudge(by=-100, column=0)
TO_SOLO, OFF_IT = SwitchLayer(layer=0), SwitchLayer()


def plan_of(
    left: dict[Gesture, Action], *layers: dict[Gesture, Action], song: dict[Gesture, Action] | None = None
) -> Plan:
    """Two switches; `right` switches the layers, by press and hold; the second stop lays something over `left`."""
    right = {Gesture.PRESS: TO_SOLO, Gesture.RELEASE: OFF_IT}
    controls = (Control(name="left", does=left), Control(name="right", does=right))
    names = ("solo", "other")
    laid = tuple(FootLayer(name=name, does={0: does}) for name, does in zip(names, layers, strict=False))
    pedal = Pedal(name="board", controls=controls, listener=0, layers=laid)
    plan = small_plan((-2_000,), (-1_500,), pedals=(pedal,))
    base, after = plan.stops
    return replace(plan, stops=(base, replace(after, does={(0, 0): overridden(left, song or {})})))


def down(control: int) -> Event:
    return Moved(pedal=0, control=control, value=127)


def up(control: int) -> Event:
    return Moved(pedal=0, control=control, value=0)


def words(effects: tuple[Effect, ...]) -> list[str]:
    """What was done, in order."""
    return [effect.what for effect in effects if isinstance(effect, Pressed)]


def test_a_layer_lies_there_until_the_foot_takes_it_off() -> None:
    plan = plan_of({Gesture.PRESS: LOUDER}, {Gesture.PRESS: SOFTER})
    start = settled(plan)
    at = start.now
    presses = [down(0), up(0), down(1), down(0), up(0), up(1), down(0)]
    ran = run(plan, [(at + n * 100 * MS, event) for n, event in enumerate(presses)], start)
    assert [effect.layer for effect in ran.of(Layered)] == [0, None]
    assert words(ran.effects) == ["nudge", "layer", "nudge", "layer", "nudge"]


def test_the_same_press_lays_it_and_takes_it_off_and_one_layer_replaces_another() -> None:
    plan = plan_of({}, {}, {})
    state = begin(plan, 0)
    seen = []
    for at, layer in enumerate((0, 0, 1, 0, None)):
        pedal = Pedal(
            name="board",
            controls=(Control(name="it", does={Gesture.PRESS: SwitchLayer(layer=layer)}),),
            layers=plan.pedals[0].layers,
        )
        one = small_plan((-2_000,), pedals=(pedal,))
        state = step(one, state, Moved(pedal=0, control=0, value=127), at * 10**9).state
        state = step(one, state, Moved(pedal=0, control=0, value=0), at * 10**9 + 100 * MS).state
        seen.append(state.layers[0])
    assert seen == [0, None, 1, 0, None]


def test_no_layer_to_take_off_and_no_pedal_to_lay_it_over() -> None:
    plan = plan_of({Gesture.PRESS: OFF_IT}, {})
    start = settled(plan)
    ran = run(plan, [(start.now, down(0)), (start.now + 1, wish(TO_SOLO))], start)
    assert [refused.reason for refused in ran.of(Refused)] == [Reason.NO_LAYER, Reason.NO_PEDAL]


def test_a_song_lays_its_own_over_the_mapping_and_the_layer_over_that() -> None:
    plan = plan_of({Gesture.PRESS: LOUDER}, {Gesture.PRESS: SOFTER}, song={Gesture.PRESS: Next()})
    for stop, layer, action in ((0, None, LOUDER), (1, None, Next()), (0, 0, SOFTER), (1, 0, SOFTER)):
        assert plan.does(0, 0, stop, layer) == {Gesture.PRESS: action}


def test_a_hold_that_is_taken_away_is_not_waited_for() -> None:
    """With the hold away the press acts on the way down."""
    plan = plan_of({Gesture.PRESS: LOUDER, Gesture.HOLD: Next()}, {Gesture.HOLD: Nothing()})
    start = settled(plan)
    at = start.now
    assert words(run(plan, [(at, down(0))], start).effects) == []
    assert words(run(plan, [(at, down(1)), (at + 100 * MS, down(0))], start).effects) == ["layer", "nudge"]


def test_what_was_mapped_at_the_way_down_counts_to_the_end() -> None:
    """The layer is taken off while the foot is down: the hold is still the layer's."""
    plan = plan_of({Gesture.PRESS: LOUDER, Gesture.HOLD: SOFTER}, {Gesture.HOLD: Next()})
    start = settled(plan)
    at = start.now
    ran = run(plan, [(at, down(1)), (at + 50 * MS, down(0)), (at + 100 * MS, up(1)), (at + 10**9, up(0))], start)
    assert words(ran.effects) == ["layer", "layer", "next"]


def test_a_treadle_that_does_nothing_is_refused_and_meets_its_level_anew() -> None:
    ride = Ride(low=-600, high=600, column=0)
    treadle = Control(name="treadle", does={Gesture.TURN: ride})
    layers = (FootLayer(name="still", does={0: {Gesture.TURN: Nothing()}}),)
    switch = Control(name="switch", does={Gesture.PRESS: TO_SOLO})
    plan = small_plan((-2_000,), pedals=(Pedal(name="board", controls=(treadle, switch), listener=0, layers=layers),))
    start = settled(plan)
    at = start.now
    turn = [Moved(pedal=0, control=0, value=value) for value in (64, 80, 100)]
    press = [down(1), up(1)]
    events = [*turn[:2], *press, turn[2], *press, turn[1]]
    ran = run(plan, [(at + n * 100 * MS, event) for n, event in enumerate(events)], start)
    assert [refused.reason for refused in ran.of(Refused)] == [Reason.NOT_MAPPED]
    assert ran.state.rides[0] == -600 + round(1_200 * 80 / 127)


@given(nights())
def test_coming_and_going_leaves_the_layer(night: Night) -> None:
    state = begin(night.plan, 0)
    for at, event in night.events:
        before = state.layers
        state, effects = step(night.plan, state, event, at)
        if isinstance(event, PedalCame | PedalWent) and not any(isinstance(one, Layered) for one in effects):
            assert state.layers == before
        for one in effects:
            if isinstance(one, Layered):
                assert one.layer is None or 0 <= one.layer < len(night.plan.pedals[one.pedal].layers)


ACTIONS = st.sampled_from((LOUDER, SOFTER, Next(), Nothing()))
MAPPED = st.dictionaries(st.sampled_from(FOOT), ACTIONS)


@given(MAPPED, MAPPED, MAPPED)
def test_layers_go_over_one_another_gesture_by_gesture(
    does: dict[Gesture, Action], song: dict[Gesture, Action], layer: dict[Gesture, Action]
) -> None:
    plan = plan_of(does, layer, song=song)
    now = plan.does(0, 0, 1, 0)
    for gesture in FOOT:
        written = [one[gesture] for one in (layer, song, does) if gesture in one]
        meant = written[0] if written and not isinstance(written[0], Nothing) else None
        assert now.get(gesture) == meant
