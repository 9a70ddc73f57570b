"""What a ceiling held when somebody nudged: each press is heard, and nothing of that outlives what was held."""

from __future__ import annotations

from typing import Final

from depth import examples
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace
from shows import Ran, rest, run, settled, small_plan, wish

from stagectl.core.actions import Action, GoTo, Lasts, Nudge, Recall, Ride
from stagectl.core.effects import Changed
from stagectl.core.events import Event, Moved
from stagectl.core.feet import Control, Pedal
from stagectl.core.gestures import Gesture
from stagectl.core.levels import Level
from stagectl.core.plan import Plan, Scene, ShiftBy
from stagectl.core.state import State
from stagectl.core.travel import Travel

RIDE: Final = Ride(low=0, high=1_200, column=0, listener=0)
LESS: Final = Nudge(by=-100, column=0)
MORE: Final = Nudge(by=100, column=0)
SOLO: Final = 0


def plan_of(mix_ceiling: int | None = None) -> Plan:
    """A voice at -3 dB and two inputs at -6 dB, in two songs alike; a treadle that brings the voice up by 12 dB, and a
    scene that does so by 9 dB. Nothing may be above 0 dB."""
    treadle = Control(name="treadle", does={Gesture.TURN: RIDE}, travel=Travel(dead=0))
    plan = small_plan(*[(-300, -600, -600)] * 3, pedals=(Pedal(name="board", controls=(treadle,), listener=0),))
    scenes = (Scene(name="solo", layer=((0, ShiftBy(900)),)),)
    return replace(plan, scenes=scenes, mix_ceilings=(mix_ceiling,))


def after(plan: Plan, *happens: Action | int, start: State | None = None) -> Ran:
    """Actions, and values of the treadle, ten seconds apart, and the night at rest after them."""
    ran = Ran(state=start or settled(plan, 1))
    for one in happens:
        event: Event = Moved(pedal=0, control=0, value=one) if isinstance(one, int) else wish(one)
        ran = rest(plan, run(plan, [(ran.state.now + 10**10, event)], ran.state))
    return ran


def levels(ran: Ran) -> tuple[Level | None, ...]:
    return ran.state.wanted[:3]


def test_a_treadle_at_the_ceiling_is_nudged_and_goes_back_to_where_it_rests() -> None:
    plan = plan_of()
    at_toe = after(plan, 0, 64, 127)
    assert levels(at_toe)[0] == 0
    down = after(plan, LESS, start=at_toe.state)
    assert levels(down)[0] == -100
    assert levels(after(plan, MORE, 0, start=down.state)) == (-300, -600, -600)
    assert levels(after(plan, 0, start=down.state)) == (-400, -600, -600)


def test_a_treadle_that_filled_the_mix_leaves_its_level_as_it_found_it() -> None:
    plan = plan_of(mix_ceiling=50)
    at_toe = after(plan, 0, 64, 127)
    assert all(isinstance(level, int) and level < 0 for level in levels(at_toe))
    back = after(plan, Nudge(by=-100, column=1), Nudge(by=100, column=1), 0, start=at_toe.state)
    voice, _, _ = levels(back)
    # The last press found no room, and the rest made it: by less than the desk's step.
    assert isinstance(voice, int) and -310 <= voice <= -300
    assert levels(after(plan, GoTo(stop=2), start=back.state))[1:] == (-600, voice - 300)


def test_a_scene_that_is_taken_off_takes_what_its_ceiling_held_along() -> None:
    plan = plan_of()
    laid = after(plan, Recall(scene=SOLO), LESS, MORE)
    assert levels(laid)[0] == 0 and laid.state.nudges[Lasts.HELD]
    assert levels(after(plan, Recall(), start=laid.state)) == (-300, -600, -600)


STEPS: Final = st.lists(
    st.one_of(
        st.sampled_from(
            (LESS, MORE, Nudge(by=-300, column=1), Recall(scene=SOLO), Recall(), GoTo(stop=1), GoTo(stop=2))
        ),
        st.integers(0, 127),
    ),
    max_size=14,
)


@settings(max_examples=examples(150))
@given(STEPS, st.sampled_from((None, 50, -400)))
def test_nothing_that_was_held_outlives_its_place(steps: list[Action | int], mix_ceiling: int | None) -> None:
    """And no press moves another way than it says, whatever is held."""
    plan = plan_of(mix_ceiling)
    ran = Ran(state=settled(plan, 1))
    for step in steps:
        before = ran.state
        ran = after(plan, step, start=before)
        if ran.state.place != before.place:
            assert not ran.state.nudges[Lasts.HELD]
        if isinstance(step, Nudge) and ran.of(Changed):
            old, new = (one.wanted[step.column or 0] for one in (before, ran.state))
            assert isinstance(old, int) and isinstance(new, int) and (new > old) is (step.by > 0)
