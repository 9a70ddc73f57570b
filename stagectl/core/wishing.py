"""What players wish for their own mixes: nudges of one input or of many, clearing them, a hush."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import NamedTuple

from stagectl.core.actions import ClearNudges, Hush, Lasts, Nudge, NudgeRest
from stagectl.core.asking import want
from stagectl.core.effects import Reason
from stagectl.core.levels import OFF
from stagectl.core.nudges import Nudge as Nudged
from stagectl.core.nudges import Nudges, Wish, at_top, nudged, range_top, takes_back, target, with_nudges
from stagectl.core.targets import Aimed, mix_at
from stagectl.core.work import Presser, Work, refuse


class No(NamedTuple):
    """Why a wish is refused, and of what (empty: of what was wished for)."""

    reason: Reason
    what: str = ""


def column_meant(work: Work, by: Presser, column: int | None, listener: int | None) -> tuple[int, int] | Reason:
    """The listener and the column that an action means: the presser's own where it says none."""
    whose = by.listener if listener is None else listener
    if whose is None:
        return Reason.NO_LISTENER
    if column is None:
        column = work.plan.own[whose]
        if column is None:
            return Reason.NO_OWN_INPUT
    return whose, column


def send_meant(work: Work, by: Presser, column: int | None, listener: int | None) -> int | Reason:
    """The one send that an action means."""
    meant = column_meant(work, by, column, listener)
    return meant if isinstance(meant, Reason) else work.plan.send(*meant)


# -- nudges -----------------------------------------------------------------------------------------------


def nudge(work: Work, by: Presser, action: Nudge) -> None:
    """Move an input, a group or the whole mix. Where the desk has no level of a whole mix, or the show drives none, all
    inputs are the whole mix."""
    meant = column_meant(work, by, action.column, action.listener)
    if isinstance(meant, Reason):
        refuse(work, by, meant)
        return
    whose, column = meant
    columns = work.plan.members(column)
    if column == work.plan.whole and work.base[work.plan.send(whose, column)] is None:
        columns = tuple(range(column))
    part = column != work.plan.whole
    _nudge(work, by, _Asked(whose, columns, column, action.by, action.lasts, action.room and part, part, action.by))


def nudge_rest(work: Work, by: Presser, action: NudgeRest) -> None:
    """Move every input but one, or but those of a group."""
    meant = column_meant(work, by, action.column, action.listener)
    if isinstance(meant, Reason):
        refuse(work, by, meant)
        return
    whose, column = meant
    stays = work.plan.members(column)
    columns = tuple(at for at in range(work.plan.whole) if at not in stays)
    _nudge(work, by, _Asked(whose, columns, work.plan.whole, action.by, action.lasts, False, False, action.by))


class _Asked(NamedTuple):
    """A nudge that is asked for. `named`: the column that it is called by; `room`: the rest makes room; `may_room`: the
    rest may have to; `most`: as much of `by` as there is room for."""

    listener: int
    columns: tuple[int, ...]
    named: int
    by: int
    lasts: Lasts
    room: bool
    may_room: bool
    most: int


def _nudge(work: Work, by: Presser, asked: _Asked) -> None:
    sends = [work.plan.send(asked.listener, column) for column in asked.columns]
    before = work.state.wishes
    some = _moved(work, sends, asked)
    given = some if isinstance(some, No) else _under_ceiling(work, sends, asked, some)
    if isinstance(given, No):
        refuse(work, by, given.reason, given.what or work.plan.part_name(asked.listener, asked.named))
        return
    work.set(nudges=given.nudges)
    work.remember(by.who, before)
    # What makes room goes first.
    room = any(kept[send].room for kept in given.nudges for send in sends if send in kept)
    leading = sends[0] if len(sends) == 1 and not room else None
    want(work, by, work.aims_of(sends, given.mix), fade_ns=None, leading=leading)


def _moved(work: Work, sends: Sequence[int], asked: _Asked) -> Mapping[int, Nudged] | No:
    """What must be nudged, before the mix counts as a whole."""
    state, base = work.state, work.base
    wishes = [
        Wish(send, level, asked.by, asked.lasts, state.rides.get(send, 0), asked.most, asked.room)
        for send in sends
        if (level := base[send]) is not None and work.plan.grid_of(send) is not None
    ]
    if not wishes:
        return No(Reason.NOT_DRIVEN)
    part = _together(work, wishes) if len(wishes) > 1 else wishes
    if isinstance(part, No):
        return part
    found: dict[int, Nudged] = {}
    why: list[Reason] = []
    for wish in part:
        one = nudged(wish, state.nudges, work.bounds(wish.send))
        if isinstance(one, Reason):
            why.append(one)
        else:
            found[wish.send] = one
    return found or No(why[0])


def _together(work: Work, wishes: list[Wish]) -> list[Wish] | No:
    """Those of a group that take part. It keeps its balance: it rises as far as the first of its inputs may. What is
    off stays off, unless all of it is, or the last press has turned it off."""
    state = work.state
    levels = [target(wish.base, wish.send, state.nudges, wish.ride, work.bounds(wish.send)) for wish in wishes]
    on = [(wish, level) for wish, level in zip(wishes, levels, strict=True) if isinstance(level, int)]
    if wishes[0].by < 0:
        return [wish for wish, _ in on] or No(Reason.AT_BOTTOM)
    if not on:
        return wishes
    lefts = [range_top(wish, work.bounds(wish.send)) - level for wish, level in on]
    left = min(lefts)
    if left <= 0:
        first = on[lefts.index(left)][0]
        return No(at_top(first, work.bounds(first.send)), work.plan.send_name(first.send))
    back = [wish for wish, level in zip(wishes, levels, strict=True) if level is OFF and takes_back(wish, state.nudges)]
    return [wish._replace(most=min(left, wish.most)) for wish, _ in on] + back


class _Given(NamedTuple):
    """The nudges after a wish; `mix`: the mix that they make, where it had to be looked at."""

    nudges: Nudges
    mix: Aimed | None = None


def _under_ceiling(work: Work, sends: Sequence[int], asked: _Asked, some: Mapping[int, Nudged]) -> _Given | No:
    """What is wished for then, if the mix as a whole allows it. Where its ceiling does not, the rest makes room."""
    plan, state, limits = work.plan, work.state, work.plan.limits
    nudges = with_nudges(state.nudges, asked.lasts, some)
    if asked.by < 0 or not (asked.room or plan.mix_ceilings[asked.listener] is not None):
        return _Given(nudges)
    mix = mix_at(plan, asked.listener, state.wishes._replace(nudges=nudges))
    if asked.room and mix.room > limits.room:
        return _as_far_as_there_is_room(work, sends, asked)
    if mix.mix.held <= 0 or mix.mix.held <= mix_at(plan, asked.listener, state.wishes).mix.held:
        return _Given(nudges, mix)
    if asked.room or not asked.may_room:
        return No(Reason.AT_MIX_CEILING)
    asked = asked._replace(room=True)
    with_room = _moved(work, sends, asked)
    return with_room if isinstance(with_room, No) else _under_ceiling(work, sends, asked, with_room)


def _as_far_as_there_is_room(work: Work, sends: Sequence[int], asked: _Asked) -> _Given | No:
    """As much of a wish as the rest may make room for."""
    low, high, found = 0, asked.most, None
    while high - low > 1:
        middle = (low + high) // 2
        some = _moved(work, sends, asked._replace(most=middle))
        if isinstance(some, No):
            low = middle
            continue
        nudges = with_nudges(work.state.nudges, asked.lasts, some)
        mix = mix_at(work.plan, asked.listener, work.state.wishes._replace(nudges=nudges))
        if mix.room > work.plan.limits.room:
            high = middle
        else:
            low, found = middle, _Given(nudges, mix)
    return found or No(Reason.NO_ROOM)


def clear_nudges(work: Work, by: Presser, action: ClearNudges) -> None:
    """Take back all nudges of the presser, or of everybody."""
    before = work.state.wishes
    if not action.everyone and by.listener is None:
        refuse(work, by, Reason.NO_LISTENER)
        return
    moved = {send for kept in before.nudges for send, one in kept.items() if not one.nothing} | work.state.left
    gone = {send for send in moved if action.everyone or work.plan.listener_of(send) == by.listener}
    if not gone:
        refuse(work, by, Reason.NOTHING_TO_CLEAR)
        return
    after: Nudges = tuple(
        MappingProxyType({send: one for send, one in kept.items() if send not in gone}) for kept in before.nudges
    )
    work.set(nudges=after, left=work.state.left - gone)
    work.remember(by.who, before)
    want(work, by, work.aims_of(sorted(gone)), fade_ns=None)


# -- a hush -----------------------------------------------------------------------------------------------


def hush(work: Work, by: Presser, action: Hush) -> None:
    """Take mixes down at once; where all of them are down, gently back."""
    plan, before = work.plan, work.state.wishes
    if not action.everyone and by.listener is None:
        refuse(work, by, Reason.NO_LISTENER)
        return
    whose = frozenset(range(len(plan.listeners)) if by.listener is None or action.everyone else (by.listener,))
    back = whose <= before.hushed
    work.set(hushed=before.hushed - whose if back else before.hushed | whose)
    work.remember(by.who, before)
    sends = [plan.send(listener, column) for listener in sorted(whose) for column in range(plan.width)]
    want(work, by, work.aims_of(sends), fade_ns=plan.limits.gentle_ns if back else None)
