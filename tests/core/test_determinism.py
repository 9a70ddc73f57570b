"""The same events give the same states and effects, however often the core is woken; refusing is atomic."""

from __future__ import annotations

from depth import examples
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace
from shows import Night, nights, rest, run, with_wakes

from stagectl.core.effects import Ask, Changed, Connected, Lit, Pressed, Refused
from stagectl.core.events import (
    DeskCame,
    DeskSaid,
    DeskWent,
    LampsCame,
    LampsWent,
    PedalCame,
    PedalWent,
    PlayerEnded,
    PlayerFailed,
    PlayerSaid,
    Wake,
)
from stagectl.core.levels import Off, height
from stagectl.core.nudges import touched
from stagectl.core.plan import layered
from stagectl.core.state import begin
from stagectl.core.step import step
from stagectl.core.touch import HAND

NO_NEWS = DeskSaid | PlayerSaid | PlayerEnded | PlayerFailed
"""What may say nothing that was not known."""


@given(nights())
def test_same_events_same_night(night: Night) -> None:
    assert run(night.plan, night.events) == run(night.plan, night.events)


@settings(max_examples=examples(30))
@given(nights(), st.data())
def test_wake_ups_make_no_difference(night: Night, data: st.DataObject) -> None:
    times = data.draw(st.lists(st.integers(0, night.ends), max_size=15), label="woken at")
    at_events = data.draw(st.lists(st.sampled_from([0, *(at for at, _ in night.events)]), max_size=5), label="and at")
    plain = run(night.plan, night.events)
    woken = run(night.plan, with_wakes(night.events, [*times, *at_events]))
    assert woken.effects == plain.effects
    assert woken.state == plain.state


@given(nights())
def test_woken_on_time_or_at_the_end(night: Night) -> None:
    """Woken at every time that the core asks for, or once an hour later: the same effects, the same night."""
    on_time = rest(night.plan, run(night.plan, night.events))
    end = max(night.ends, on_time.state.now) + 3_600 * 10**9
    late = run(night.plan, [*night.events, (end, Wake())])
    assert late.effects == on_time.effects
    assert late.state == replace(on_time.state, now=end)


@settings(max_examples=examples(30))
@given(nights())
def test_a_refused_event_changes_nothing(night: Night) -> None:
    state = begin(night.plan, 0)
    for at, event in night.events:
        ready = step(night.plan, state, Wake(), at).state
        after, effects = step(night.plan, ready, event, at)
        refused = {effect.press for effect in effects if isinstance(effect, Refused)}
        pressed = {effect.press for effect in effects if isinstance(effect, Pressed)}
        # What hands have moved on the desk until then counts before any press, refused or not.
        if refused and pressed <= refused and not ready.touches:
            of_feet = ("presses", "hands", "contacts", "bouncing", "grips", "lights")
            same = {name: getattr(ready, name) for name in of_feet}
            assert replace(after, **same) == ready
            # A pedal that comes or goes is itself recorded, after the bounce that was under way.
            # A lamp may say that it was refused.
            told = (
                Pressed | Refused | Connected | Lit
                if isinstance(event, PedalWent | PedalCame)
                else Pressed | Refused | Lit
            )
            assert all(isinstance(effect, told) for effect in effects)
        state = after


@given(nights())
def test_every_event_but_a_wake_is_recorded_or_part_of_a_gesture(night: Night) -> None:
    """Nothing is dropped: an event leaves a record, or moves a control on in its gesture. (What the desk
    or a track player says may be no news.)"""
    state = begin(night.plan, 0)
    for at, event in night.events:
        ready = step(night.plan, state, Wake(), at).state
        state, effects = step(night.plan, ready, event, at)
        records = [effect for effect in effects if isinstance(effect, Pressed | Refused | Connected)]
        if isinstance(event, LampsWent | LampsCame):
            # What lamps can be told is told by the port, and the lamps show it.
            continue
        feet = [(one.hands, one.contacts, one.grips) for one in (state, ready)]
        assert (
            records
            or feet[0] != feet[1]
            or isinstance(event, DeskSaid | DeskWent | PlayerSaid | PlayerEnded | PlayerFailed)
        )


@settings(max_examples=examples(30))
@given(nights())
def test_at_rest_the_desk_has_what_is_wanted(night: Night) -> None:
    plan = night.plan
    ran = rest(plan, run(plan, [*night.events, (night.ends, DeskCame())]))
    state = ran.state
    assert state.fade is None
    told: dict[int, object] = {}
    for effect in ran.effects:
        if isinstance(effect, Ask):
            told.update(effect.levels)
        elif isinstance(effect, Changed) and effect.cause == HAND:
            # Nobody tells the desk what a hand has put there.
            told.update({send: plan.standing(send, after) for send, _, after in effect.moves})
    base = plan.stops[0 if state.place.base else state.place.stop].levels
    if state.place.scene is not None:
        base = layered(base, plan.scenes[state.place.scene].layer)
    for send, step_ in enumerate(state.steps):
        assert step_ == plan.in_steps(send, state.wanted[send])
        listener = send // plan.width
        if step_ is not None:
            asked, mix = state.asked[send], plan.mixes[listener]
            assert told[send] == asked
            let_be = any(state.steps[one] is None for one in range(mix.start, mix.stop) if one in told)
            if plan.mix_ceilings[listener] is None or not let_be:
                assert asked == step_
            else:
                # What a song has told the desk of an input that this place lets be is there still, and takes room.
                assert asked is not None and height(asked) <= height(step_)
        if not state.recalled or send in touched(state.nudges) or send in state.rides:
            continue
        level, grid = base[send], plan.grid_of(send)
        if level is None or grid is None:
            assert state.wanted[send] is None
        elif listener in state.hushed or plan.mix_ceilings[listener] is not None:
            # What the mix as a whole does to it only lowers it (`test_mixes.py` says how far).
            top = level if isinstance(level, Off) else min(level, plan.ceilings[send], grid.highest)
            wanted = state.wanted[send]
            assert wanted is not None and height(wanted) <= height(top)
        elif isinstance(level, Off):
            assert state.wanted[send] == level
        else:
            assert state.wanted[send] == min(level, plan.ceilings[send], grid.highest)
