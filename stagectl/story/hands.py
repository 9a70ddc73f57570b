"""What hands at the desk have moved, from the files that they moved it by to other ones.

On the files that a night was played by, what the desk said is played again as it is. On others it would be compared
with levels that it was never told, and much of it taken for hands. So there a hand goes along as what came of it: the
nudge that was adopted, at the same time, in the mix of the same listener and for the same input. Where both files have
a level at that place, the hand stays as far from the one as it was from the other; where one of them has it `off`, the
nudge counts where it counted before: a shift where songs have a level, a lift where they have none.

A nudge that was undone in the same instant is laid down all the same, for the undo that follows to find it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from types import MappingProxyType
from typing import NamedTuple

from stagectl.core.effects import Changed, Effect, Left, Move
from stagectl.core.events import Event, Wake
from stagectl.core.levels import Level, Off
from stagectl.core.plan import Plan
from stagectl.core.state import Change, State
from stagectl.core.step import next_wake, step
from stagectl.core.targets import scene_levels, target_of
from stagectl.core.touch import DESK, HAND, count_whole, nudge_by_hand
from stagectl.core.whole_mixes import is_left_alone
from stagectl.core.work import Work


class Hand(NamedTuple):
    """A hand that has come to rest at a time, ns of the night's monotonic clock: it moved a send from `before` to
    `level`, and its listener is to have `aim` there, before a hush. `base`: what the place's own level was; None where
    the show did not drive it. `left`: whether the desk was left as the hand has put it; `why`: as in `Changed`."""

    at: int
    send: int
    before: Level | None
    level: Level
    aim: Level
    base: Level | None
    left: bool
    why: Left | None


def by_hand(effects: Iterable[Effect]) -> bool:
    """Whether hands are among some effects."""
    return any(isinstance(one, Changed) and one.cause == HAND for one in effects)


def hands_of(plan: Plan, state: State, what: Event, now: int) -> Iterator[Hand]:
    """The hands that come to rest in a step, instant by instant: so each is seen with the place of its time."""
    while True:
        due = next_wake(state)
        at, event = (now, what) if due is None or due > now else (due, Wake())
        then, effects = step(plan, state, event, at)
        for one in effects:
            if isinstance(one, Changed) and one.cause == HAND:
                yield from (_hand(plan, state, then, one, move) for move in one.moves)
        if event is what:
            return
        state = then


def _hand(plan: Plan, before: State, after: State, told: Changed, move: Move) -> Hand:
    base = scene_levels(plan, before.place)
    found = [one for one in after.undo if one.hand == move.send and not _has(before.undo, one)]
    aim = target_of(plan, move.send, found[-1].after, base) if found else move.after
    return Hand(
        at=told.at,
        send=move.send,
        before=move.before,
        level=move.after,
        aim=move.after if aim is None else aim,
        base=base[move.send] if before.recalled and plan.grid_of(move.send) is not None else None,
        left=move.send in after.left,
        why=told.why,
    )


def _has(entries: tuple[Change, ...], entry: Change) -> bool:
    return any(one is entry for one in entries)


def laid_down(plan: Plan, state: State, hand: Hand) -> tuple[State, tuple[Effect, ...]]:
    """A state with a hand in it, whose send is one of its plan. What comes of it is what `adopt` of
    `core/touch.py` makes of a hand on these files."""
    work = Work(plan, state, max(hand.at, state.now))
    press = work.next_press()
    base = work.base[hand.send]
    if base is not None and hand.base is not None and plan.grid_of(hand.send) is not None and state.recalled:
        _nudge(work, hand, base, hand.base)
    if is_left_alone(plan, hand.send):
        work.set(asked=work.asked_at(hand.send, hand.level))
        count_whole(work, hand.send)
    stays = hand.left and work.state.steps[hand.send] is not None
    work.set(left=work.state.left | {hand.send} if stays else work.state.left - {hand.send})
    moves = (Move(hand.send, hand.before, hand.level),)
    counts = None if hand.why is None else work.state.steps[hand.send]
    why = None if counts is None else hand.why
    work.out(Changed(at=work.at, press=press, who=DESK, cause=HAND, moves=moves, counts=counts, why=why))
    return work.state, tuple(work.effects)


def above_as(plan: Plan, state: State, above: Mapping[int, int]) -> State:
    """A state in which whole mixes that the show does not drive are so far above 0 dB, by listener."""
    if above == state.above:
        return state
    work = Work(plan, state, state.now)
    work.set(above=MappingProxyType(dict(above)))
    if state.recalled:
        aims = work.aims()
        work.set(wanted=aims.wanted, steps=aims.steps, held=aims.held)
    return work.state


def _nudge(work: Work, hand: Hand, base: Level, had: Level) -> None:
    """What was nudged over the level `had` is nudged over `base`."""
    aim = hand.aim
    one_is_off = isinstance(base, Off) is not isinstance(had, Off)
    if not one_is_off and isinstance(base, int) and isinstance(had, int) and isinstance(aim, int):
        aim += base - had
    nudge_by_hand(work, hand.send, had if one_is_off else base, aim)
