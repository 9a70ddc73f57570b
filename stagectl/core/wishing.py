"""What players wish for their own mixes: nudges of one input or of many, clearing them, a hush."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType

from msgspec import Struct
from msgspec.structs import replace

from stagectl.core.actions import ClearNudges, Hush, Lasts, Nudge, NudgeRest
from stagectl.core.asking import left_at, want, want_hushed
from stagectl.core.effects import Reason
from stagectl.core.levels import Level, Off
from stagectl.core.nudges import NONE, Nudges, Wish, at_top, nudged, range_top, takes_back, target, with_nudges
from stagectl.core.nudges import Nudge as Nudged
from stagectl.core.room import Asks, as_heard, fits, given_back, made
from stagectl.core.state import Wishes, nudged_between
from stagectl.core.targets import Aimed, mix_at
from stagectl.core.work import Presser, Work, refuse


class No(Struct, frozen=True):
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
    meant = _meant(work, by, action)
    if meant is None:
        return
    whose, column = meant
    columns = work.plan.members(column)
    if column == work.plan.whole and work.base[work.plan.send(whose, column)] is None:
        columns = tuple(range(column))
    part = column != work.plan.whole
    _nudge(work, by, _Asked(whose, columns, column, action.by, action.lasts, action.room and part, part, action.by))


def nudge_rest(work: Work, by: Presser, action: NudgeRest) -> None:
    """Move every input but one, or but those of a group."""
    meant = _meant(work, by, action)
    if meant is None:
        return
    whose, column = meant
    stays = work.plan.members(column)
    columns = tuple(at for at in range(work.plan.whole) if at not in stays)
    _nudge(work, by, _Asked(whose, columns, column, action.by, action.lasts, False, False, action.by, others=True))


def _meant(work: Work, by: Presser, action: Nudge | NudgeRest) -> tuple[int, int] | None:
    """The listener and the column that a nudge means; None where it is refused. Until a scene was recalled there is no
    level that it could be over: the desk has whatever it has."""
    meant = column_meant(work, by, action.column, action.listener)
    if not isinstance(meant, Reason) and not work.state.recalled:
        meant = Reason.NOT_RECALLED
    if isinstance(meant, Reason):
        refuse(work, by, meant)
        return None
    return meant


class _Asked(Struct, frozen=True):
    """A nudge that is asked for. `named`: the column that it is called by, or with `others` the one that it leaves;
    `room`: the rest makes room; `may_room`: the rest may have to; `most`: as much of `by` as the mix allows."""

    listener: int
    columns: tuple[int, ...]
    named: int
    by: int
    lasts: Lasts
    room: bool
    may_room: bool
    most: int
    others: bool = False


def _nudge(work: Work, by: Presser, asked: _Asked) -> None:
    sends = [work.plan.send(asked.listener, column) for column in asked.columns]
    before = work.state.wishes
    given = _given(work, by, sends, asked)
    if isinstance(given, No):
        part = work.plan.part_name(asked.listener, asked.named)
        refuse(work, by, given.reason, given.what or (f"all but {part}" if asked.others else part))
        return
    after = given.wishes
    work.change(by.who, before, after)
    moved = nudged_between(before, after)
    leading = moved[0] if len(moved) == 1 else None
    want(work, by, work.aims_of(moved, given.mix), fade_ns=None, leading=leading)


class _Given(Struct, frozen=True):
    """What is asked for after a nudge; `mix`: the mix that comes of it, where it was looked at."""

    wishes: Wishes
    mix: Aimed | None = None


def _given(work: Work, by: Presser, sends: Sequence[int], asked: _Asked) -> _Given | No:
    """What is asked for after a nudge, as far as the mix as a whole allows it."""
    plan, limits = work.plan, work.plan.limits
    now = as_heard(work, asked.listener, sends if asked.by < 0 else ())
    moved = _moved(work, by.press, now, sends, asked)
    if isinstance(moved, No):
        return moved
    if asked.by < 0 or not (asked.room or plan.mix_ceilings[asked.listener] is not None):
        return _Given(now.nudged(_with(work, asked, now.nudges, moved)))
    before = mix_at(plan, asked.listener, now).mix.row if asked.room else []
    asks = Asks(asked.listener, asked.columns, asked.lasts, by.press, asked.room, before)
    found = _in_mix(work, asks, asked, now, moved)
    if found is not None:
        return found
    # As much of it as there is room for.
    low, high = 0, asked.most
    while high - low > 1:
        middle = (low + high) // 2
        moved = _moved(work, by.press, now, sends, replace(asked, most=middle))
        part = None if isinstance(moved, No) else _in_mix(work, asks, asked, now, moved)
        if part is None and not isinstance(moved, No):
            high = middle
        else:
            low, found = middle, part or found
    none = asked.room or (asked.may_room and limits.room > 0)
    return found or No(Reason.NO_ROOM if none else Reason.AT_MIX_CEILING)


def _in_mix(work: Work, asks: Asks, asked: _Asked, now: Wishes, moved: Mapping[int, Nudged]) -> _Given | None:
    """What is asked for with the nudges that are wished for, if the mix allows it, or the rest can make room for it."""
    wishes = now.nudged(_with(work, asked, now.nudges, moved))
    mix = mix_at(work.plan, asked.listener, wishes)
    if fits(asks, mix.mix):
        return _Given(wishes, mix)
    if not asked.may_room:
        return None
    with_room = made(work, asks, wishes, mix.mix.row)
    return None if with_room is None else _Given(now.nudged(with_room))


def _with(work: Work, asked: _Asked, start: Nudges, moved: Mapping[int, Nudged]) -> Nudges:
    """The nudges with some moved; what was taken back gives back the room that it had."""
    kept, presses = start[asked.lasts], set()
    for send, one in moved.items():
        trail = kept[send].trail if send in kept else ()
        if len(one.trail) < len(trail):
            presses.add(trail[-1].press)
    if presses:
        moved = {**given_back(work, asked.listener, start, asked.lasts, presses), **moved}
    return with_nudges(start, asked.lasts, moved)


def _moved(work: Work, press: int, now: Wishes, sends: Sequence[int], asked: _Asked) -> Mapping[int, Nudged] | No:
    """What must be nudged, before the mix counts as a whole."""
    nudges, rides, base, bounds = now.nudges, now.rides, work.base, work.plan.bounds
    wishes = [
        Wish(send, level, asked.by, asked.lasts, rides.get(send, 0), asked.most, press)
        for send in sends
        if (level := base[send]) is not None and bounds[send] is not None
    ]
    if not wishes:
        return No(Reason.NOT_DRIVEN)
    part = _together(work, nudges, wishes) if len(wishes) > 1 else wishes
    if isinstance(part, No):
        return part
    found: dict[int, Nudged] = {}
    why: list[Reason] = []
    for wish in part:
        one = nudged(wish, nudges, work.bounds(wish.send))
        if isinstance(one, Reason):
            why.append(one)
        else:
            found[wish.send] = one
    return found or No(why[0])


def _together(work: Work, nudges: Nudges, wishes: list[Wish]) -> list[Wish] | No:
    """Those of a group that take part. It keeps its balance: it rises as far as the first of its inputs may. What is
    off comes back by the press that takes back the one that turned it off; or by any, where all of it is off by itself.
    """
    levels = [target(wish.base, wish.send, nudges, wish.ride, work.bounds(wish.send)) for wish in wishes]
    on = [(wish, level) for wish, level in zip(wishes, levels, strict=True) if isinstance(level, int)]
    if wishes[0].by < 0:
        return [wish for wish, _ in on] or No(Reason.AT_BOTTOM)
    back = _coming_back(nudges, wishes, levels)
    if not on:
        return back or wishes
    lefts = [range_top(wish, work.bounds(wish.send)) - level for wish, level in on]
    left = min(lefts)
    if left <= 0:
        first = on[lefts.index(left)][0]
        return No(at_top(first, work.bounds(first.send)), work.plan.send_name(first.send))
    return [replace(wish, most=min(left, wish.most)) for wish, _ in on] + back


def _coming_back(nudges: Nudges, wishes: list[Wish], levels: list[Level | None]) -> list[Wish]:
    """Those of a group that are off because of a press that is taken back now: for those that are on, too, or the last
    one, where none is."""
    taken = {
        wish.send: kept.trail[-1].press
        for wish in wishes
        if takes_back(wish, kept := nudges[wish.lasts].get(wish.send, NONE))
    }
    off = {wish.send for wish, level in zip(wishes, levels, strict=True) if isinstance(level, Off)}
    now = {press for send, press in taken.items() if send not in off}
    if len(off) == len(wishes):
        now = {max(taken.values(), default=0)}
    return [wish for wish in wishes if wish.send in off and taken.get(wish.send) in now]


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
    left = left_at(work, gone)
    work.set(left=work.state.left - gone)
    work.change(by.who, before, before.nudged(after))
    want(work, by, work.aims_of(sorted(gone)), fade_ns=None, let_go=left)


# -- a hush -----------------------------------------------------------------------------------------------


def hush(work: Work, by: Presser, action: Hush) -> None:
    """Take mixes down at once; where all of them are down, gently back. What ends a hush leaves nothing to undo: nobody
    wants to be hushed again by taking back what they did before."""
    plan, before = work.plan, work.state.wishes
    if not action.everyone and by.listener is None:
        refuse(work, by, Reason.NO_LISTENER)
        return
    if not work.state.recalled:
        refuse(work, by, Reason.NOT_RECALLED)
        return
    whose = frozenset(range(len(plan.listeners)) if by.listener is None or action.everyone else (by.listener,))
    back = whose <= before.hushed
    if back:
        work.set(hushed=before.hushed - whose)
    else:
        work.change(by.who, before, replace(before, hushed=before.hushed | whose))
    want_hushed(work, by, whose, back=back)
