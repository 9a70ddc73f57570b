"""A treadle rides a level: hysteresis, pick-up and smoothing.

- Jitter: a value within `jitter` of the one that was taken last is not taken, unless it is an end of the way and the
  one before was not. What was not taken is counted, and recorded once, before the next value that is.
- Pick-up: a treadle takes hold of its level when its shift meets the one that the level has, or passes it; until then
  its values are refused, so that no level jumps. It loses hold when what it is mapped to changes (another level,
  another range), when it is moved where it moves nothing, and when somebody else has moved the shift meanwhile; a song
  that changes none of these leaves it its hold, since a shift counts from whatever the scene's level is.
- Smoothing: the level stands at the mean of the treadle's shifts at the last `FRAMES` frames, which are a quarter of
  `smooth_ns` apart; the first frame is at once. So the level never leaves the range of what the foot asked for, rises
  where the foot only rises, and stands exactly at the resting value at most `smooth_ns` after it was said: within
  that time every frame has come to it. Frames are wake-ups of the core, at their own nominal times.
- Undo: what a treadle does to a level is one change, until whoever it belongs to changes something else, or the night
  goes on to another place.
"""

from __future__ import annotations

from types import MappingProxyType
from typing import Final

from msgspec.structs import replace

from stagectl.core.actions import Ride
from stagectl.core.asking import want
from stagectl.core.effects import Reason
from stagectl.core.feet import Control
from stagectl.core.gestures import Gesture
from stagectl.core.state import Grip, Key, Wishes, differ
from stagectl.core.touch import take_all
from stagectl.core.travel import FULL, shift_at
from stagectl.core.wishing import send_meant
from stagectl.core.work import Presser, Work, pressed, presser_of, refuse

PICK_UP: Final = 50
"""How near a treadle's shift must be to the level's present one to take hold of it: half a dB."""

FRAMES: Final = 4
"""Frames of a smoothed way: at the longest smoothing they are 5 ms apart."""

JITTER_MAX: Final = 9_999
"""Values of one tremble that are counted; more are not told from so many."""


def ride(work: Work, key: Key, control: Control, action: Ride, value: int) -> None:
    """A treadle says a value, 0 to the control's top."""
    places = control.travel.places(control.top)
    last = work.state.grips.get(key)
    if last is not None and last.action != action:
        tell_jitter(work, key)
        last = None
    if last is not None:
        ends = places[value] in (0, FULL) and places[value] != places[last.value]
        if 0 < abs(value - last.value) <= control.travel.jitter and not ends:
            _keep(work, key, replace(last, ignored=min(last.ignored + 1, JITTER_MAX)))
            return
        tell_jitter(work, key)
    by = presser_of(work, key, Ride.word)
    pressed(work, by, Gesture.TURN.value)
    send = send_meant(work, by, action.column, action.listener)
    if isinstance(send, Reason):
        let_go(work, key)
        refuse(work, by, send)
        return
    if not work.state.recalled or work.plan.grid_of(send) is None or work.base[send] is None:
        let_go(work, key)
        reason = Reason.NOT_DRIVEN if work.state.recalled else Reason.NOT_RECALLED
        refuse(work, by, reason, work.plan.send_name(send))
        return
    shift = shift_at(places[value], action.low, action.high)
    now = work.state.rides.get(send, 0)
    holds = abs(shift - now) <= PICK_UP
    if last is not None:
        kept = last.holds and last.out == now
        holds = holds or kept or min(last.shift, shift) <= now <= max(last.shift, shift)
    gliding = last is not None and last.due is not None and holds
    grip = Grip(
        value=value,
        shift=shift,
        holds=holds,
        send=send,
        action=action,
        out=now,
        press=by.press,
        due=last.due if gliding and last is not None else None,
        samples=last.samples if gliding and last is not None else (),
    )
    if not holds:
        _keep(work, key, grip)
        refuse(work, by, Reason.NOT_PICKED_UP, work.plan.send_name(send))
    elif control.travel.smooth_ns == 0:
        _give(work, key, by, grip, shift)
    elif gliding or shift == now:
        _keep(work, key, grip)
    else:
        _frame(work, key, by, replace(grip, samples=(now,) * FRAMES), control.travel.smooth_ns)


def glide_on(work: Work, key: Key) -> None:
    """The next frame of a smoothed way is due."""
    grip = work.state.grips[key]
    if work.state.rides.get(grip.send, 0) != grip.out:
        # Somebody else moves this level now.
        _keep(work, key, replace(grip, holds=False, due=None, samples=()))
        return
    by = presser_of(work, key, Ride.word, grip.press)
    _frame(work, key, by, grip, work.plan.pedals[key[0]].controls[key[1]].travel.smooth_ns)


def _frame(work: Work, key: Key, by: Presser, grip: Grip, smooth_ns: int) -> None:
    samples = (*grip.samples[1:], grip.shift)
    if samples[0] == grip.shift and len(set(samples)) == 1:
        _give(work, key, by, replace(grip, due=None, samples=()), grip.shift)
    else:
        due = work.at + smooth_ns // FRAMES
        _give(work, key, by, replace(grip, due=due, samples=samples), sum(samples) // FRAMES)


def _give(work: Work, key: Key, by: Presser, grip: Grip, shift: int) -> None:
    """The treadle's level gets this shift. What hands have done to its mix until now comes before it."""
    whose = work.plan.listener_of(grip.send)
    if any(work.plan.listener_of(send) == whose for send in work.state.touches):
        take_all(work)
    before = work.state.wishes
    moves = shift != before.rides.get(grip.send, 0)
    _keep(work, key, replace(grip, out=shift))
    if moves:
        work.set(rides=MappingProxyType(before.rides | {grip.send: shift}))
        _remember(work, by.who, before, grip.send)
        want(work, by, work.aims_of((grip.send,)), fade_ns=None, leading=grip.send)


def _remember(work: Work, who: str, before: Wishes, send: int) -> None:
    """What a treadle does can be taken back. `before`: what was asked for before this value."""
    undo = work.state.undo
    last = next((at for at in range(len(undo) - 1, -1, -1) if undo[at].who == who), None)
    if last is not None:
        was, then = undo[last].before, undo[last].after
        stands = then.place == before.place and then.rides.get(send) == before.rides.get(send)
        if stands and differ(was.rides, then.rides) == [send] and replace(was, rides=then.rides) == then:
            # What others have changed since stays what it is.
            rides = {one: shift for one, shift in before.rides.items() if one != send}
            if send in was.rides:
                rides[send] = was.rides[send]
            work.set(undo=undo[:last] + undo[last + 1 :])
            before = replace(before, rides=MappingProxyType(rides))
    work.remember(who, before)


def tell_jitter(work: Work, key: Key) -> None:
    """Record the values that were not taken, if any."""
    grip = work.state.grips[key]
    if grip.ignored:
        values = f"{grip.ignored} value{'s' if grip.ignored > 1 else ''}"
        refuse(work, presser_of(work, key, values), Reason.JITTER)
        _keep(work, key, replace(grip, ignored=0))


def let_go(work: Work, key: Key) -> None:
    """A treadle is moved where it moves nothing: what it says next has to meet the level anew."""
    if key in work.state.grips:
        tell_jitter(work, key)
        work.set(grips=MappingProxyType({one: grip for one, grip in work.state.grips.items() if one != key}))


def _keep(work: Work, key: Key, grip: Grip) -> None:
    work.set(grips=MappingProxyType(work.state.grips | {key: grip}))
