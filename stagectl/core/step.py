"""The one door: an event and the time go in, the next state and the effects come out.

Before the event, everything whose time has come is done at its own nominal time: holds that ran out,
messages of a fade. So it makes no difference how often or how late the core is woken: the same events at
the same times give the same states and the same effects.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Any, Final, NamedTuple

from stagectl.core.act import act, ride
from stagectl.core.asking import resume, tell_due
from stagectl.core.effects import Connected, Effect, Pressed, Reason, Refused
from stagectl.core.events import (
    DeskCame,
    DeskWent,
    Event,
    Moved,
    PedalCame,
    PedalWent,
    Unmapped,
    Wake,
    Wanted,
)
from stagectl.core.gestures import Edge, Gesture, Hand, turn_hand
from stagectl.core.plan import Control, Plan
from stagectl.core.state import State
from stagectl.core.work import Presser, Work, refuse


class Stepped(NamedTuple):
    """What a step gives."""

    state: State
    effects: tuple[Effect, ...]


def step(plan: Plan, state: State, event: Event, now: int) -> Stepped:
    """One step of the night. `now`: monotonic ns; a time before the state's own counts as that time."""
    now = max(now, state.now)
    work = Work(plan, state, now)
    _advance(work, now)
    work.at = now
    if state.now != now:
        work.set(now=now)
    HANDLE[type(event)](work, event)
    if work.state.fade is not None:
        _advance(work, now)
    return Stepped(work.state, tuple(work.effects))


def next_wake(state: State) -> int | None:
    """When the core wants to be woken at the latest, ns; None where it waits for nothing."""
    dues = [hand.due for hand in state.hands.values() if hand.due is not None]
    if state.fade is not None and state.desk_here:
        dues.append(state.fade.due)
    return min(dues, default=None)


def _advance(work: Work, now: int) -> None:
    """Do all that is due up to `now`, in the order of its nominal times."""
    while (due := next_wake(work.state)) is not None and due <= now:
        work.at = due
        fade = work.state.fade
        if fade is not None and work.state.desk_here and fade.due == due:
            tell_due(work)
            continue
        key = next(key for key, hand in work.state.hands.items() if hand.due == due)
        _edge(work, key, Edge.DUE)


# -- pedals -----------------------------------------------------------------------------------------------


def _moved(work: Work, event: Moved) -> None:
    control = work.plan.pedals[event.pedal].controls[event.control]
    key = (event.pedal, event.control)
    if not 0 <= event.value <= control.top:
        refuse(work, _presser(work, key, str(event.value)), Reason.OUT_OF_RANGE)
        return
    turn = control.does.get(Gesture.TURN)
    if turn is not None:
        by = _presser(work, key, "ride")
        _pressed(work, by, Gesture.TURN)
        ride(work, by, turn, event.value, control.top)
        return
    if not control.gives_release:
        _edge(work, key, Edge.DOWN)
        _edge(work, key, Edge.UP)
        return
    _edge(work, key, Edge.DOWN if event.value * 2 > control.top else Edge.UP)


def _edge(work: Work, key: tuple[int, int], edge: Edge) -> None:
    """A switch went down or up, or its wait has ended: what fires is done."""
    control = work.plan.pedals[key[0]].controls[key[1]]
    outcome = turn_hand(work.state.hands.get(key), edge, work.at, control.does.keys(), control.timing)
    if outcome is None:
        reason = Reason.ALREADY_DOWN if edge is Edge.DOWN else Reason.ALREADY_UP
        refuse(work, _presser(work, key, edge.value), reason)
        return
    _keep(work, key, outcome.hand)
    for gesture in outcome.fired:
        if gesture in control.does:
            _fire(work, key, control, gesture)
        else:
            refuse(work, _presser(work, key, gesture.value), Reason.NOT_MAPPED)


def _keep(work: Work, key: tuple[int, int], hand: Hand | None) -> None:
    hands = dict(work.state.hands)
    if hand is None:
        hands.pop(key, None)
    else:
        hands[key] = hand
    work.set(hands=MappingProxyType(hands))


def _fire(work: Work, key: tuple[int, int], control: Control, gesture: Gesture) -> None:
    action = control.does[gesture]
    by = _presser(work, key, action.word)
    _pressed(work, by, gesture)
    act(work, by, action)


def _presser(work: Work, key: tuple[int, int], what: str) -> Presser:
    """Who presses, under a new press number."""
    return Presser(
        press=work.next_press(),
        who=work.plan.who(key[0]),
        what=what,
        listener=work.plan.pedals[key[0]].listener,
        pedal=key[0],
        control=key[1],
    )


def _pressed(work: Work, by: Presser, gesture: Gesture | None) -> None:
    work.out(
        Pressed(
            at=work.at,
            press=by.press,
            who=by.who,
            what=by.what,
            pedal=by.pedal,
            control=by.control,
            gesture=None if gesture is None else gesture.value,
        )
    )


def _unmapped(work: Work, event: Unmapped) -> None:
    work.out(
        Refused(
            at=work.at,
            press=work.next_press(),
            who=work.plan.who(event.pedal),
            reason=Reason.UNKNOWN,
            what=event.said,
            pedal=event.pedal,
        )
    )


def _pedal_went(work: Work, event: PedalWent) -> None:
    _let_go(work, event.pedal)
    work.out(Connected(at=work.at, pedal=event.pedal, here=False))


def _pedal_came(work: Work, event: PedalCame) -> None:
    # Its going may never have been noticed.
    _let_go(work, event.pedal)
    work.out(Connected(at=work.at, pedal=event.pedal, here=True))


def _let_go(work: Work, pedal: int) -> None:
    """Every control of a pedal is released, without firing."""
    work.set(
        hands=MappingProxyType({key: hand for key, hand in work.state.hands.items() if key[0] != pedal}),
        grips=MappingProxyType({key: grip for key, grip in work.state.grips.items() if key[0] != pedal}),
    )


# -- desk and others --------------------------------------------------------------------------------------


def _desk_went(work: Work, _: DeskWent) -> None:
    work.set(desk_here=False)
    work.out(Connected(at=work.at, pedal=None, here=False))


def _desk_came(work: Work, _: DeskCame) -> None:
    work.set(desk_here=True)
    work.out(Connected(at=work.at, pedal=None, here=True))
    resume(work, fade_ns=work.plan.stops[work.state.place.stop].fade_ns)


def _wished(work: Work, event: Wanted) -> None:
    by = Presser(press=work.next_press(), who=event.who, what=event.action.word, listener=event.listener)
    _pressed(work, by, None)
    act(work, by, event.action)


def _wake(_work: Work, _: Wake) -> None:
    """Time has passed, and `step` has seen to it."""


HANDLE: Final[Mapping[type, Callable[[Work, Any], None]]] = {
    Moved: _moved,
    Unmapped: _unmapped,
    PedalWent: _pedal_went,
    PedalCame: _pedal_came,
    DeskWent: _desk_went,
    DeskCame: _desk_came,
    Wanted: _wished,
    Wake: _wake,
}
