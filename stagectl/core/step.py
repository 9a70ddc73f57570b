"""The one door: an event and the time go in, the next state and the effects come out.

Before the event, everything whose time has come is done at its own nominal time: holds that ran out, windows of
contacts, frames of a treadle, messages of a fade. So it makes no difference how often or how late the core is
woken: the same events at the same times give the same states and the same effects.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Any, Final, NamedTuple

from stagectl.core.act import act
from stagectl.core.actions import Action, Ride
from stagectl.core.answers import came, hears, look_into, went
from stagectl.core.asking import pass_by, tell_due
from stagectl.core.contacts import Contact, Kind, shut
from stagectl.core.contacts import edge as hear_edge
from stagectl.core.effects import Connected, Effect, Reason, Refused
from stagectl.core.events import (
    DeskCame,
    DeskSaid,
    DeskWent,
    Event,
    LampsCame,
    LampsWent,
    Moved,
    PedalCame,
    PedalWent,
    PlayerCame,
    PlayerEnded,
    PlayerFailed,
    PlayerSaid,
    PlayerWent,
    Unmapped,
    Wake,
    Wanted,
)
from stagectl.core.gestures import TOGETHER, UNDECIDED, Edge, Gesture, Hand, Phase, turn_hand
from stagectl.core.lamps import light, pedal_is, wire_is
from stagectl.core.plan import Plan
from stagectl.core.rides import glide_on, let_go, ride, tell_jitter
from stagectl.core.state import Key, State
from stagectl.core.touch import rested
from stagectl.core.tracks import next_due, player_came, player_ended, player_failed, player_said, player_went, track_due
from stagectl.core.work import Presser, Work, pressed, presser_of, refuse


class Stepped(NamedTuple):
    """What a step gives."""

    state: State
    effects: tuple[Effect, ...]


def step(plan: Plan, state: State, event: Event, now: int) -> Stepped:
    """One step of the night. `now`: monotonic ns; a time before the state's own counts as that time."""
    if now < state.now:
        now = state.now
    work = Work(plan, state, now)
    _advance(work, now)
    if state.now != now:
        work.set(now=now)
    HANDLE[type(event)](work, event)
    if work.state.fade is not None or work.state.track is not None:
        _advance(work, now)
    if work.state.lights:
        light(work)
    return Stepped(work.state, tuple(work.effects))


def next_wake(state: State) -> int | None:
    """When the core wants to be woken at the latest, ns; None where it waits for nothing."""
    dues: list[int] = []
    if state.hands:
        dues += [hand.due for hand in state.hands.values() if hand.due is not None]
    if state.bouncing:
        dues += [state.contacts[key].shuts for key in state.bouncing]
    if state.grips:
        dues += [grip.due for grip in state.grips.values() if grip.due is not None]
    if state.fade is not None and state.desk_here:
        dues.append(state.fade.due)
    if state.known.due is not None:
        dues.append(state.known.due)
    if state.touches:
        dues += [touch.due for touch in state.touches.values()]
    if state.lights:
        dues += [lights.due for lights in state.lights if lights.due is not None]
    if state.track is not None or state.starts is not None or state.report is not None:
        track = next_due(state)
        if track is not None:
            dues.append(track)
    return min(dues, default=None)


def _advance(work: Work, now: int) -> None:
    """Do all that is due up to `now`, in the order of its nominal times; then it is `now`."""
    while (due := next_wake(work.state)) is not None and due <= now:
        work.at = due
        fade = work.state.fade
        if fade is not None and work.state.desk_here and fade.due == due:
            tell_due(work)
        elif fade is not None and pass_by(work):
            # Something else is due just now; first come the lamps, as after any bunch.
            pass
        elif work.state.known.due == due:
            look_into(work)
        elif work.state.touches and any(touch.due == due for touch in work.state.touches.values()):
            rested(work)
        elif next_due(work.state) == due:
            track_due(work)
        else:
            _due(work, due)
        if work.state.lights:
            light(work)
    work.at = now
    if work.state.fade is not None:
        pass_by(work)


def _due(work: Work, due: int) -> None:
    """One control's wait has ended, or its window, or it is time for its next frame; or only a lamp is due."""
    state = work.state
    for key, hand in state.hands.items():
        if hand.due == due:
            _edge(work, key, Edge.DUE)
            return
    for key in state.bouncing:
        if state.contacts[key].shuts == due:
            _shut(work, key)
            return
    for key, grip in state.grips.items():
        if grip.due == due:
            glide_on(work, key)
            return


# -- pedals -----------------------------------------------------------------------------------------------


def _does(work: Work, key: Key) -> Mapping[Gesture, Action]:
    """What a control's gestures do now."""
    return work.plan.does(*key, work.state.place.stop, work.state.layers[key[0]])


def _moved(work: Work, event: Moved) -> None:
    control = work.plan.pedals[event.pedal].controls[event.control]
    key = (event.pedal, event.control)
    if not 0 <= event.value <= control.top:
        sent = f"{control.as_sent(event.value)}, not 0 to {control.as_sent(control.top)}"
        refuse(work, presser_of(work, key, sent), Reason.OUT_OF_RANGE)
        return
    if control.turns:
        turn = _does(work, key).get(Gesture.TURN)
        if isinstance(turn, Ride):
            ride(work, key, control, turn, event.value)
        else:
            let_go(work, key)
            refuse(work, presser_of(work, key, Gesture.TURN.value), Reason.NOT_MAPPED)
        return
    kind = control.kind
    down = control.switch.is_down(event.value, control.top)
    heard = hear_edge(work.state.contacts.get(key), down, work.at, kind, control.switch.bounce_ns)
    if heard is None:
        reason = Reason.ALREADY_DOWN if down else Reason.ALREADY_UP
        refuse(work, presser_of(work, key, (Edge.DOWN if down else Edge.UP).value), reason)
        return
    _know(work, key, heard.contact)
    if heard.acts:
        _acts(work, key, kind, down)


def _shut(work: Work, key: Key) -> None:
    """A contact's window has run out: its last edge may act, and what was bounce is recorded."""
    contact, acts, bounced = shut(work.state.contacts[key])
    _know(work, key, contact)
    _tell_bounce(work, key, bounced)
    if acts:
        _acts(work, key, work.plan.pedals[key[0]].controls[key[1]].kind, contact.down)


def _tell_bounce(work: Work, key: Key, bounced: int) -> None:
    if bounced:
        what = f"{bounced} edge{'s' if bounced > 1 else ''}"
        refuse(work, presser_of(work, key, what), Reason.BOUNCE)


def _know(work: Work, key: Key, contact: Contact) -> None:
    contacts = MappingProxyType(work.state.contacts | {key: contact})
    bouncing, due = work.state.bouncing, contact.due
    if (key in bouncing) is (due is not None):
        work.set(contacts=contacts)
    elif due is None:
        work.set(contacts=contacts, bouncing=tuple(other for other in bouncing if other != key))
    else:
        work.set(contacts=contacts, bouncing=(*bouncing, key))


def _acts(work: Work, key: Key, kind: Kind, down: bool) -> None:
    """An edge acts: a way down or up, or both at once where the switch does not say the one without the other."""
    if kind is Kind.MOMENTARY:
        _edge(work, key, Edge.DOWN if down else Edge.UP)
    else:
        _edge(work, key, Edge.DOWN)
        _edge(work, key, Edge.UP)


def _edge(work: Work, key: Key, edge: Edge) -> None:
    """A switch went down or up, or its wait has ended: what fires is done."""
    timing = work.plan.pedals[key[0]].controls[key[1]].timing
    hand = work.state.hands.get(key)
    if hand is None and timing.together_ns and edge is Edge.DOWN and _join(work, key):
        return
    does = _does(work, key) if hand is None else hand.does
    outcome = turn_hand(hand, edge, work.at, does, timing)
    if outcome is None:
        reason = Reason.ALREADY_DOWN if edge is Edge.DOWN else Reason.ALREADY_UP
        refuse(work, presser_of(work, key, edge.value), reason)
        return
    _keep(work, key, outcome.hand)
    for gesture in outcome.fired:
        if gesture in does:
            _fire(work, key, does[gesture], gesture.word)
        else:
            refuse(work, presser_of(work, key, gesture.word), Reason.NOT_MAPPED)


def _join(work: Work, key: Key) -> bool:
    """A control of a pair comes down from idle: if a partner waits for it, the pair fires."""
    pedal = work.plan.pedals[key[0]]
    for pair in pedal.pairs:
        if key[1] not in (pair.first, pair.second):
            continue
        other = (key[0], pair.second if key[1] == pair.first else pair.first)
        hand = work.state.hands.get(other)
        if hand is None or hand.phase is not Phase.APART or work.at - hand.since >= pair.within_ns:
            continue
        for one in (other, key):
            timing = pedal.controls[one[1]].timing
            outcome = turn_hand(work.state.hands.get(one), Edge.JOINED, work.at, _does(work, one), timing)
            assert outcome is not None
            _keep(work, one, outcome.hand)
        _fire(work, key, pair.does, TOGETHER)
        return True
    return False


def _keep(work: Work, key: Key, hand: Hand | None) -> None:
    hands = work.state.hands.copy()
    if hand is None:
        hands.pop(key, None)
    else:
        hands[key] = hand
    work.set(hands=MappingProxyType(hands))


def _fire(work: Work, key: Key, action: Action, gesture: str) -> None:
    by = presser_of(work, key, action.word)
    pressed(work, by, gesture)
    act(work, by, action)


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
    pedal_is(work, event.pedal, here=False)
    work.out(Connected(at=work.at, pedal=event.pedal, player=None, here=False))


def _pedal_came(work: Work, event: PedalCame) -> None:
    # Its going may never have been noticed.
    _let_go(work, event.pedal)
    pedal_is(work, event.pedal, here=True)
    work.out(Connected(at=work.at, pedal=event.pedal, player=None, here=True))


def _let_go(work: Work, pedal: int) -> None:
    """Every control of a pedal is released, without firing; what was not decided yet is refused."""
    for key in [key for key in work.state.bouncing if key[0] == pedal]:
        _tell_bounce(work, key, shut(work.state.contacts[key]).bounced)
    for key in [key for key in work.state.grips if key[0] == pedal]:
        tell_jitter(work, key)
    for key, hand in work.state.hands.items():
        if key[0] == pedal and hand.phase in UNDECIDED:
            refuse(work, presser_of(work, key, Gesture.PRESS.word), Reason.PEDAL_WENT)
    state = work.state
    work.set(
        hands=MappingProxyType({key: hand for key, hand in state.hands.items() if key[0] != pedal}),
        contacts=MappingProxyType({key: contact for key, contact in state.contacts.items() if key[0] != pedal}),
        bouncing=tuple(key for key in state.bouncing if key[0] != pedal),
        grips=MappingProxyType({key: grip for key, grip in state.grips.items() if key[0] != pedal}),
    )


def _lamps_went(work: Work, event: LampsWent) -> None:
    wire_is(work, event.pedal, here=False)


def _lamps_came(work: Work, event: LampsCame) -> None:
    wire_is(work, event.pedal, here=True)


# -- desk and others --------------------------------------------------------------------------------------


def _wished(work: Work, event: Wanted) -> None:
    by = Presser(press=work.next_press(), who=event.who, what=event.action.word, listener=event.listener)
    pressed(work, by, None)
    act(work, by, event.action)


def _wake(_work: Work, _: Wake) -> None:
    """Time has passed, and `step` has seen to it."""


HANDLE: Final[Mapping[type, Callable[[Work, Any], None]]] = {
    Moved: _moved,
    Unmapped: _unmapped,
    PedalWent: _pedal_went,
    PedalCame: _pedal_came,
    LampsWent: _lamps_went,
    LampsCame: _lamps_came,
    DeskWent: went,
    DeskCame: came,
    DeskSaid: hears,
    PlayerWent: player_went,
    PlayerCame: player_came,
    PlayerSaid: player_said,
    PlayerEnded: player_ended,
    PlayerFailed: player_failed,
    Wanted: _wished,
    Wake: _wake,
}
