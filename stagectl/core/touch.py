"""Somebody's hand on the desk.

What a hand moves is let be at once: no fade goes on over it. When it has rested for `REST_NS`, or when anybody does
something, where it came to is adopted as a nudge by `DESK`, which lasts for the night like any other: it is recorded,
the listener whose mix it is can undo it, and the next scene keeps it. Above a ceiling (or below the nudge floor) the
nudge goes as far as it may, which is recorded with it (`Changed.counts`), and the desk is left as the hand put it until
something else moves that send, a stop is arrived at, or the desk comes back and does not say what it has there.

The rest of its mix stays where it is, as near as the desk's steps and the nudge floor let it under the ceiling of the
mix; what that brings it to is recorded and told. So is what the mix is held lower by where a hand has put a whole mix
above 0 dB that the show does not drive. What has waited for the room that a hand took goes on when it rests.
"""

from __future__ import annotations

from collections.abc import Sequence
from types import MappingProxyType
from typing import Final

from msgspec.structs import replace

from stagectl.core.actions import Lasts
from stagectl.core.asking import resume
from stagectl.core.doubt import Doubt
from stagectl.core.effects import Changed, Left, Move
from stagectl.core.levels import LEVEL_MAX, OFF, Level, Off, height
from stagectl.core.mixes import highest, highest_whole, power_of
from stagectl.core.nudges import Wish, put, with_nudges
from stagectl.core.rest import Mix
from stagectl.core.room import as_heard
from stagectl.core.state import State, Touch
from stagectl.core.targets import Aimed, mix_at
from stagectl.core.whole_mixes import above_zero, is_left_alone
from stagectl.core.work import Work

DESK: Final = "desk"
"""Who moved what a hand moved."""

HAND: Final = "hand"
"""The cause that is recorded."""

BESIDE: Final = "beside a hand"
"""The cause that is recorded of what the ceiling of its mix brings others to."""

REST_NS: Final = 250_000_000
"""How long a hand rests until its way counts as one change."""

CROSSING_MAX: Final = 4
"""Messages of ours that may be on their way while somebody's hand moves what they are about: at a frame in 20 ms, those
of 80 ms. Where the desk says afterwards that it has one of them, it is told what the hand has left."""


def feel(work: Work, send: int, level: Level) -> None:
    """The desk says that somebody moved a send to a level."""
    state = work.state
    if send in state.touches:
        touch = replace(state.touches[send], level=level, due=work.at + REST_NS)
    else:
        doubt = state.known.doubts.get(send)
        crossing = () if doubt is None else doubt.told[-CROSSING_MAX:]
        touch = Touch(level, _was_to_be(state, send), work.at + REST_NS, crossing)
    work.set(
        fade=None if state.fade is None else state.fade.without(send),
        asked=work.asked_at(send, level),
        touches=MappingProxyType(state.touches | {send: touch}),
        left=state.left | {send},
        known=state.known.doubting(send, None).saying(send, level),
    )


def _was_to_be(state: State, send: int) -> Level | None:
    """Where a send was, or where a fade was taking it."""
    fade = state.fade
    fades = fade is not None and send not in fade.let_be and any(glide.send == send for glide in fade.glides)
    return state.steps[send] if fades else state.asked[send]


def rested(work: Work) -> None:
    """Hands whose time is now or past have come to rest."""
    _take_some(work, [send for send, touch in work.state.touches.items() if touch.due <= work.at])


def take_all(work: Work, *, goes_on: bool = True) -> None:
    """Whatever hands have moved counts now. `goes_on`: whether the desk can be told what waited for them."""
    _take_some(work, list(work.state.touches), goes_on=goes_on)


def _take_some(work: Work, sends: Sequence[int], *, goes_on: bool = True) -> None:
    for send in sorted(sends):
        _take(work, send)
    if not goes_on:
        return
    mixes = [work.plan.mixes[listener] for listener in dict.fromkeys(map(work.plan.listener_of, sends))]
    if any(_waits(work.state, send) for mix in mixes for send in range(mix.start, mix.stop)):
        resume(work, fade_ns=None)


def _waits(state: State, send: int) -> bool:
    """Whether the desk was not told what a send should have, nothing is about to, and no hand has left it."""
    if state.steps[send] in (None, state.asked[send]) or send in state.left:
        return False
    fade = state.fade
    return fade is None or send in fade.let_be or all(glide.send != send for glide in fade.glides)


def _take(work: Work, send: int) -> None:
    touches = work.state.touches.copy()
    touch = touches.pop(send)
    work.set(touches=MappingProxyType(touches))
    if touch.level != touch.before:
        adopt(work, send, touch.before, touch.level, touch.level)
    if work.state.steps[send] in (None, work.state.asked[send]):
        work.set(left=work.state.left - {send})
    if work.plan.can_ask(send):
        # Its last report may be lost, or a message of ours have come to the desk after it.
        at = height(touch.level)
        doubt = Doubt(due=work.at, low=at, high=at, was=True, last=True, crossing=touch.crossing)
        work.set(known=work.state.known.doubting(send, doubt))


def adopt(work: Work, send: int, before: Level | None, level: Level, aim: Level) -> None:
    """A hand moved a send from one level to another: from now on, `aim` is what its listener wants there."""
    press, was = work.next_press(), work.state
    counts = _wish_for(work, send, aim)
    why = None if counts is None else _why(work, send, level, counts)
    moves = (Move(send, before, level),)
    work.out(Changed(at=work.at, press=press, who=DESK, cause=HAND, moves=moves, counts=counts, why=why))
    count_whole(work, send)
    _tell_others(work, was, send)


def found_above(work: Work) -> None:
    """The desk was read: whole mixes that the show does not drive count where they are louder than was known."""
    for mix in work.plan.mixes:
        was = work.state
        count_whole(work, mix.stop - 1)
        if work.state is not was:
            _tell_others(work, was, mix.stop - 1)


def count_whole(work: Work, send: int) -> None:
    """If a send is a whole mix that the show does not drive, hold its mix lower by as much as it is louder than was
    known."""
    state, listener = work.state, work.plan.listener_of(send)
    by = above_zero(state.asked[send])
    if by <= state.above.get(listener, 0) or not (state.recalled and is_left_alone(work.plan, send)):
        return
    work.set(above=MappingProxyType({**state.above, listener: by}))
    aims = work.aims_of((send,))
    work.set(wanted=aims.wanted, steps=aims.steps, held=aims.held)


def _tell_others(work: Work, was: State, send: int) -> None:
    """Record what the rest of a hand's mix has come to. `was`: the state before the hand counted."""
    now, mix = work.state, work.plan.mixes[work.plan.listener_of(send)]
    others = [one for one in range(mix.start, mix.stop) if one != send and was.steps[one] != now.steps[one]]
    told = [one for one in others if one not in now.left]
    moves = [Move(one, was.wanted[one], level) for one in told if (level := now.wanted[one]) is not None]
    if moves:
        work.out(Changed(at=work.at, press=work.next_press(), who=DESK, cause=BESIDE, moves=tuple(moves)))


def _wish_for(work: Work, send: int, aim: Level) -> Level | None:
    """Nudge a send as far towards a level as it may be. The step that it comes to, where the desk has another one now;
    None where it has that, or where the night does not drive it yet."""
    state, base = work.state, work.base[send]
    if base is None or work.plan.grid_of(send) is None or not state.recalled:
        return None
    mix = mix_at(work.plan, work.plan.listener_of(send), state.wishes)
    if isinstance(aim, int):
        aim = min(aim + _lowered_by(work, send, mix), _fitting(work, send, mix.mix))
    nudge_by_hand(work, send, base, aim)
    step = work.state.steps[send]
    return None if step == state.asked[send] else step


def nudge_by_hand(work: Work, send: int, base: Level, aim: Level) -> None:
    """From now on `aim` is what a send's listener wants, as a nudge over `base` by `DESK` that lasts for the night: no
    higher than the send may be, and off below the nudge floor."""
    state, bounds = work.state, work.bounds(send)
    if isinstance(aim, int):
        aim = min(aim, bounds.top)
    held: Level = OFF if isinstance(aim, Off) or aim < bounds.limits.nudge_floor else aim
    lower = isinstance(held, Off) or held < bounds.top
    start = as_heard(work, work.plan.listener_of(send), (send,) if lower else ())
    wish = Wish(send, base, 0, Lasts.NIGHT, start.rides.get(send, 0))
    put_there = with_nudges(start.nudges, Lasts.NIGHT, {send: put(wish, held, start.nudges, bounds)})
    work.change(DESK, state.wishes, start.nudged(put_there), hand=send)
    aims = work.aims_of((send,))
    work.set(wanted=aims.wanted, steps=aims.steps, held=aims.held)


def _why(work: Work, send: int, level: Level, counts: Level) -> Left:
    """Why a hand's level counts as another one."""
    if send not in work.state.left:
        return Left.MEANWHILE
    if isinstance(counts, Off):
        return Left.FLOOR
    if height(level) > work.bounds(send).top:
        return Left.CEILING
    return Left.HUSH if work.plan.listener_of(send) in work.state.hushed else Left.MIX_CEILING


def _fitting(work: Work, send: int, mix: Mix) -> int:
    """The highest level that a send may have so that its mix keeps under its ceiling; never lower than it is."""
    listener, column = divmod(send, work.plan.width)
    ceiling = work.plan.mix_ceilings[listener]
    if mix.most is None or ceiling is None:
        return LEVEL_MAX
    if column == work.plan.whole:
        whole = highest_whole(ceiling, mix.power)
        return whole if isinstance(whole, int) else LEVEL_MAX
    others, alone = mix.power - power_of(mix.steps[column]), mix.wanted[column]
    fits, bounds = highest(mix.most - others), work.bounds(send)
    if height(bounds.grid.nearest(fits, bounds.ceiling)) > height(fits):
        # Asked for that, the desk would come to its next step above it.
        fits = bounds.grid.nearest(fits, height(fits))
    return max(height(fits), height(OFF if alone is None else alone))


def _lowered_by(work: Work, send: int, mix: Aimed) -> int:
    """How much lower a hush takes a send now."""
    column = send % work.plan.width
    loud, wanted = mix.mix.wanted[column], mix.wanted[column]
    return loud - wanted if isinstance(loud, int) and isinstance(wanted, int) else 0
