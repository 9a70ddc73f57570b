"""Somebody's hand on the desk.

What a hand moves is let be at once: no fade goes on over it. When it has rested for `REST_NS`, or when anybody does
something, where it came to is adopted as a nudge by `DESK`, which lasts for the night like any other: it is recorded,
the listener whose mix it is can undo it, and the next scene keeps it. Above a ceiling (or below the nudge floor) the
nudge goes as far as it may, and the desk is left as the hand put it until the next recall.
"""

from __future__ import annotations

from types import MappingProxyType
from typing import Final

from stagectl.core.actions import Lasts
from stagectl.core.doubt import Doubt
from stagectl.core.effects import Changed, Move
from stagectl.core.levels import OFF, Level, Off, height
from stagectl.core.nudges import Wish, put
from stagectl.core.state import MovedNudges, Touch
from stagectl.core.work import Presser, Work

DESK: Final = "desk"
"""Who moved what a hand moved."""

HAND: Final = "hand"
"""The cause that is recorded."""

REST_NS: Final = 250_000_000
"""How long a hand rests until its way counts as one change."""


def feel(work: Work, send: int, level: Level) -> None:
    """The desk says that somebody moved a send to a level."""
    state = work.state
    asked = list(state.asked)
    asked[send] = work.plan.standing(send, level)
    before = state.touches[send].before if send in state.touches else state.asked[send]
    touch = Touch(level=level, before=before, due=work.at + REST_NS)
    work.set(
        fade=None if state.fade is None else state.fade.without(send),
        asked=tuple(asked),
        touches=MappingProxyType({**state.touches, send: touch}),
        left=state.left | {send},
        known=state.known.doubting(send, None).saying(send, level),
    )


def rested(work: Work) -> None:
    """Hands whose time is now or past have come to rest."""
    for send in sorted(send for send, touch in work.state.touches.items() if touch.due <= work.at):
        _take(work, send)


def take_all(work: Work) -> None:
    """Whatever hands have moved counts now."""
    for send in sorted(work.state.touches):
        _take(work, send)


def _take(work: Work, send: int) -> None:
    touches = dict(work.state.touches)
    touch = touches.pop(send)
    work.set(touches=MappingProxyType(touches))
    if touch.level != touch.before:
        adopt(work, send, touch.before, touch.level, touch.level)
    if work.state.steps[send] in (None, work.state.asked[send]):
        work.set(left=work.state.left - {send})
    if work.plan.can_ask(send):
        # Its last report may be lost, or a message of ours have overtaken it.
        at = height(touch.level)
        doubt = Doubt(due=work.at, low=at, high=at, was=True, last=True)
        work.set(known=work.state.known.doubting(send, doubt))


def adopt(work: Work, send: int, before: Level | None, level: Level, aim: Level) -> None:
    """A hand moved a send from one level to another: from now on, `aim` is what its listener wants there."""
    by = Presser(press=work.next_press(), who=DESK, what=HAND)
    work.out(Changed(at=work.at, press=by.press, who=DESK, cause=HAND, moves=(Move(send, before, level),)))
    levels = work.scene_levels(work.state.place)
    base = levels[send]
    bounds = work.bounds(send)
    if base is None or bounds is None or not work.state.recalled:
        return
    floor = bounds.limits.nudge_floor
    held: Level = OFF if isinstance(aim, Off) or aim < floor else min(aim, bounds.top)
    before_nudges = work.state.nudges
    wish = Wish(send=send, base=base, by=0, lasts=Lasts.NIGHT, ride=work.state.rides.get(send, 0))
    nudges = put(wish, held, before_nudges, bounds)
    work.remember(MovedNudges(who=DESK, song=work.song, before=before_nudges, after=nudges, sends=(send,)))
    work.set(nudges=nudges)
    wanted = list(work.state.wanted)
    wanted[send] = work.target(send, levels)
    work.aim(tuple(wanted))
