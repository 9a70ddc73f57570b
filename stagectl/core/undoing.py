"""Undo: taking back the presser's last change that still stands."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final, TypeVar

from msgspec.structs import asdict

from stagectl.core.actions import Lasts, Undo
from stagectl.core.advancing import scope, settle
from stagectl.core.asking import left_at, want, want_hushed
from stagectl.core.effects import Reason
from stagectl.core.plan import Plan
from stagectl.core.state import Change, Wishes, differ, nudged_between
from stagectl.core.touch import DESK
from stagectl.core.work import Presser, Work, refuse

KeptT = TypeVar("KeptT")


STOP_BACK_NS: Final = 30_000_000_000
"""For how long a change of song or section can be taken back, ns: a wrong step is noticed at once, and one `undo` too
many in mid-song must not take the band back. `back` goes there at any time."""


def undo(work: Work, by: Presser, _: Undo) -> None:
    """One that somebody changed again since, or whose song is over, is passed over and forgotten; and so is a step to
    another stop that was long ago."""
    entries, reason = list(work.state.undo), Reason.NOTHING_TO_UNDO
    for at in range(len(entries) - 1, -1, -1):
        entry = entries[at]
        if entry.who != by.who and not _by_hand_for(work, entry, by):
            continue
        del entries[at]
        if entry.before.place.stop != entry.after.place.stop and work.at - entry.at > STOP_BACK_NS:
            reason = Reason.LONG_AGO
            continue
        wishes = taken_back(work.plan, work.state.wishes, entry)
        if wishes is None and entry.hand not in work.state.left:
            continue
        work.set(undo=tuple(entries))
        _go_back(work, by, work.state.wishes if wishes is None else wishes, entry)
        return
    refuse(work, by, reason)


def _go_back(work: Work, by: Presser, wishes: Wishes, entry: Change) -> None:
    """Be where the entry began."""
    now = work.state.wishes
    if wishes.place != now.place:
        settle(work, by, wishes)
        return
    sends = nudged_by(entry)
    left = left_at(work, sends)
    work.set(**asdict(wishes), left=work.state.left - left.keys())
    down, back = wishes.hushed - now.hushed, now.hushed - wishes.hushed
    if down or back:
        want_hushed(work, by, down or back, back=bool(back))
    else:
        leading = sends[0] if len(sends) == 1 else None
        want(work, by, work.aims_of(sends), fade_ns=None, leading=leading, let_go=left)


def nudged_by(entry: Change) -> list[int]:
    """The sends that an entry nudged or rode, by foot or by hand."""
    hand = set() if entry.hand is None else {entry.hand}
    return sorted(hand.union(nudged_between(entry.before, entry.after)))


def _by_hand_for(work: Work, entry: Change, by: Presser) -> bool:
    """Whether somebody's hand on the desk changed the presser's own mix: that is theirs to take back."""
    if entry.who != DESK or by.listener is None:
        return False
    return all(work.plan.listener_of(send) == by.listener for send in nudged_by(entry))


def taken_back(plan: Plan, now: Wishes, entry: Change) -> Wishes | None:
    """What was asked for without what the entry changed; None where that does not stand any more.

    A change of place stands while the night is where it went, and brings back the nudges that it ended; what was
    changed again since stays. So does a hush that has ended for some; the others come back. Any other change stands if
    nothing of it was changed again; of one whose song or section is over, only what lasts longer counts.
    """
    before, after = entry.before, entry.after
    moved = before.place != after.place
    if moved and now.place != after.place:
        return None
    hushed = (before.hushed ^ after.hushed) - (now.hushed ^ after.hushed)
    nudges = []
    for lasts in Lasts:
        was, then, kept = (wishes.nudges[lasts] for wishes in (before, after, now))
        if moved and scope(plan, before.place, lasts) != scope(plan, after.place, lasts):
            nudges.append(was)
        elif scope(plan, now.place, lasts) != scope(plan, after.place, lasts):
            nudges.append(kept)
        elif not moved and any(kept.get(send) != then.get(send) for send in differ(was, then)):
            return None
        else:
            nudges.append(_put_back(kept, was, then))
    wishes = Wishes(
        place=before.place if moved else now.place,
        nudges=tuple(nudges),
        rides=_put_back(now.rides, before.rides, after.rides),
        hushed=now.hushed ^ hushed,
        above=now.above,
    )
    return None if wishes == now else wishes


def _put_back(
    now: MappingProxyType[int, KeptT], before: Mapping[int, KeptT], after: Mapping[int, KeptT]
) -> MappingProxyType[int, KeptT]:
    """The values before, where the ones after still stand."""
    stands = [send for send in differ(before, after) if now.get(send) == after.get(send)]
    if not stands:
        return now
    others = {send: value for send, value in now.items() if send not in stands}
    return MappingProxyType(others | {send: before[send] for send in stands if send in before})
