"""What the desk says: reading it, making sure of what it was told, and telling echoes from hands.

A desk that can be asked is read before anything is sent to it: every send is in *doubt* until its level was said. What
it is told later puts the send in doubt again:

- a little after the last message for a send (of a fade: after its end) the desk is asked for its level;
- what is not answered, or answered with an older level, is told and asked again, after pauses that grow by a fifth;
- after `TRIES` of them it is given up, and recorded;
- a level that came right stays in doubt for `GRACE_NS`, because a message that it has overtaken may still come in, with
  an echo of its own; then the desk is asked for the last time.

A doubt remembers between which levels the desk was led since it was last sure. What the desk says of itself then is

- what it was asked for, within `NEAR`: it has arrived;
- between these levels: an echo, late or out of order. Said again and again in answer to questions, it is what the desk
  makes of the level: it rounds, if that is near and was never told, or else it keeps its own level, which counts as a
  hand. Where the level had come right before, only what it was told itself is told again, so that no hand is fought;
- anything else: somebody's hand on the desk (`touch.py`).

With no doubt about a send, whatever differs from what the desk said last, and from what it was asked for, is a hand. A
desk that was away is read again, and compared with what it had when it went: where up to `HANDS_MAX` sends differ,
hands moved them meanwhile; where more do, it has lost its levels or holds another scene, and is told ours.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from msgspec.structs import replace

from stagectl.core.asking import differing, resume
from stagectl.core.doubt import GRACE_NS, NOTHING_KNOWN, SAME, TRIES, Doubt, Known, pause
from stagectl.core.effects import Ask, Changed, Connected, Move, Question, Reason, Refused
from stagectl.core.events import DeskCame, DeskSaid, DeskWent
from stagectl.core.levels import Level, Off, height
from stagectl.core.stored import pay
from stagectl.core.touch import DESK, adopt, feel, found_above, take_all
from stagectl.core.work import Work

READ: Final = "read"
"""The cause of what is known of the desk because it said so."""

AGAIN: Final = "told again"
"""The cause of what a desk is told that came with other levels than the night has."""

NEAR: Final = 25
"""How far from what it was asked for a level may be that the desk says, hundredths of a dB: finer than any hand."""

ROUNDS_BY: Final = 150
"""How far a desk may round a level, hundredths of a dB; four times that below `COARSE_BELOW`, where it is coarse."""

COARSE_BELOW: Final = -3_000

ROUNDS_AFTER: Final = 4
"""So often in turn does a desk answer with a level near the one it was asked for until that is taken for its own."""

KEEPS_AFTER: Final = 8
"""So often in turn does it answer with another level that it was told until it is believed to keep that."""

MOVED_AFTER: Final = 3
"""So often in turn does it say another level, after the right one, until that is believed."""

HANDS_MAX: Final = 8
"""Sends that hands may have moved while the desk was away."""


# -- coming and going -------------------------------------------------------------------------------------


def went(work: Work, event: DeskWent) -> None:
    """The desk cannot be told anything for now. It may have lost its power, or what was told last: what it has is not
    known any more."""
    if not (work.state.desk_here or work.state.known.reading):
        return
    _go(work, NOTHING_KNOWN, broken_off=event.broken_off)
    work.out(Connected(at=work.at, pedal=None, player=None, here=False))


def _go(work: Work, known: Known, *, broken_off: bool = False) -> None:
    """What hands have moved counts; then what the desk has is not known, but for what it had."""
    take_all(work, goes_on=False)
    # A desk that cannot be read is told everything when it comes back, hands or not.
    left = work.state.left if work.plan.answers.reads else frozenset()
    unknown = (None,) * len(work.state.asked)
    known = replace(known, before=_had(work, broken_off=broken_off))
    work.set(known=known, desk_here=False, asked=unknown, retell=frozenset(), left=left)


def _had(work: Work, *, broken_off: bool) -> Mapping[int, Level]:
    """The levels that the desk had for sure when it was last here. Of one that cannot be read, those that it was told
    last: it has them still, unless it was switched off. A fade that was under way counts as done where the night
    was broken off: it went on after the last that is known of it."""
    state = work.state
    if not state.desk_here:
        return state.known.before
    if not work.plan.answers.reads:
        had = dict(state.known.before)
        had |= {send: level for send, level in enumerate(state.asked) if level is not None}
        if broken_off and state.fade is not None:
            on_their_way = {glide.send for glide in state.fade.glides} - state.fade.let_be
            had |= {send: end for send in on_their_way if (end := state.steps[send]) is not None}
        return MappingProxyType(had)
    said = state.known.said
    unsure = {send for send, doubt in state.known.doubts.items() if not (doubt.was or (doubt.sure and send in said))}
    if state.fade is not None:
        # It may have been told more of its fade than is known here.
        unsure |= {glide.send for glide in state.fade.glides}
    had = {send: level for send, level in enumerate(state.asked) if level is not None and send not in unsure}
    return MappingProxyType(had)


def came(work: Work, _: DeskCame) -> None:
    """The desk can be told things (again). One that can be read is read first."""
    work.out(Connected(at=work.at, pedal=None, player=None, here=True))
    if work.plan.answers.reads:
        sends = filter(work.plan.can_read, range(len(work.state.asked)))
        _go(work, replace(NOTHING_KNOWN, reading=True).with_doubts({send: Doubt(due=work.at) for send in sends}))
        return
    if work.state.desk_here:
        # It went and came between two looks.
        _go(work, NOTHING_KNOWN)
    _ready(work)


def _ready(work: Work) -> None:
    work.set(desk_here=True)
    fade_ns = work.plan.stops[work.state.place.stop].fade_ns
    if work.plan.answers.reads:
        state = work.state
        differ = [send for send in differing(state.asked, state.steps) if send not in state.left]
        moves = [
            Move(send, state.known.said.get(send), to) for send in differ if (to := state.wanted[send]) is not None
        ]
        if moves:
            press = work.next_press()
            work.out(Changed(at=work.at, press=press, who=DESK, cause=AGAIN, moves=tuple(moves), fade_ns=fade_ns))
    pay(work, work.state.presses)
    resume(work, fade_ns=fade_ns)


def _was_read(work: Work) -> None:
    """Every level was said, or given up."""
    known, plan = work.state.known, work.plan
    asked: list[Level | None] = [None] * len(work.state.asked)
    for send, level in known.said.items():
        asked[send] = plan.standing(send, level)
    # What the desk had when it was last here is no news.
    news = [send for send, level in sorted(known.said.items()) if not _near(level, known.before.get(send))]
    hands = [send for send in news if send in known.before]
    if len(hands) > min(HANDS_MAX, len(known.said) // 2):
        hands = []
    # What a hand has left, and the desk does not say any more, is told as from one that cannot be read.
    left = work.state.left.intersection(known.said)
    work.set(asked=tuple(asked), known=replace(NOTHING_KNOWN, said=known.said), left=left)
    moves = tuple(Move(send, known.before.get(send), known.said[send]) for send in news if send not in hands)
    if moves:
        work.out(Changed(at=work.at, press=work.next_press(), who=DESK, cause=READ, moves=moves))
    for send in hands:
        _moved_meanwhile(work, send, known.before[send], known.said[send])
    found_above(work)
    _ready(work)


def _moved_meanwhile(work: Work, send: int, before: Level, level: Level) -> None:
    """A hand moved a send while the desk was away. Where nothing else did, it stays as the hand has put it."""
    state = work.state
    stays = send in state.left or _near(before, state.steps[send])
    if stays:
        work.set(left=state.left | {send})
    adopt(work, send, before, level, level if stays else _as_moved(state.wanted[send], before, level))
    if work.state.steps[send] in (None, work.state.asked[send]):
        work.set(left=work.state.left - {send})


def _as_moved(wanted: Level | None, before: Level, level: Level) -> Level:
    """Where a hand would have moved what is wanted now: as far as it moved what was there before."""
    if wanted is None or isinstance(wanted, Off) or isinstance(before, Off) or isinstance(level, Off):
        return level
    return wanted + level - before


# -- what it says -----------------------------------------------------------------------------------------


def hears(work: Work, event: DeskSaid) -> None:
    """The desk says what level a send has."""
    state, send, level = work.state, event.send, event.level
    known = state.known
    if work.plan.grid_of(send) is None or not (state.desk_here or known.reading):
        reason = Reason.NOT_DRIVEN if state.desk_here or known.reading else Reason.DESK_AWAY
        what = work.plan.send_name(send)
        work.out(Refused(at=work.at, press=work.next_press(), who=DESK, reason=reason, what=what))
        return
    if known.reading:
        work.set(known=known.doubting(send, None).saying(send, level))
        if not work.state.known.doubts:
            _was_read(work)
        return
    doubt = known.doubts.get(send)
    if send in state.touches and level != state.touches[send].level:
        feel(work, send, level)
    elif level == known.said.get(send) or _is_right(level, state.asked[send], doubt):
        _arrived(work, send, level, doubt)
    elif doubt is not None and doubt.crosses(level):
        _crossed(work, send, level)
    elif doubt is not None and doubt.spans(level, _slack(level)):
        _older(work, send, level, doubt)
    elif not _of_a_stored_scene(work, send):
        feel(work, send, level)


def _arrived(work: Work, send: int, level: Level, doubt: Doubt | None) -> None:
    known = work.state.known.saying(send, level)
    if doubt is not None and doubt.last and doubt.tries:
        known = known.doubting(send, None)
    elif doubt is not None and not doubt.sure:
        right = replace(doubt, sure=True, due=work.at + GRACE_NS, again=None, agains=0)
        known = known.doubting(send, right)
    work.set(known=known)


def _crossed(work: Work, send: int, level: Level) -> None:
    """A message of ours came to the desk after a hand there: it goes back to what the hand has left."""
    state = work.state
    work.set(asked=work.asked_at(send, level), left=state.left - {send}, known=state.known.doubting(send, None))
    resume(work, fade_ns=None)


def _older(work: Work, send: int, level: Level, doubt: Doubt) -> None:
    """A level that the desk was led through: an echo, or what it makes of the last one."""
    known = work.state.known
    if doubt.sure:
        if work.plan.can_ask(send):
            work.set(known=known.doubting(send, replace(doubt, sure=False, was=True, due=work.at, tries=0)))
        elif not doubt.was_told(level) and not _of_a_stored_scene(work, send):
            feel(work, send, level)
        return
    if doubt.tries == 0:
        return
    # A message that was overtaken by a later one: the desk has really got it.
    if doubt.was_told(level):
        doubt = replace(doubt, was=False, last=False)
    agains = doubt.agains + 1 if level == doubt.again else 1
    asked = work.state.asked[send]
    rounds = asked is not None and abs(height(level) - height(asked)) <= _slack(level)
    if doubt.was and agains >= MOVED_AFTER:
        feel(work, send, level)
    elif not doubt.was and rounds and agains >= (KEEPS_AFTER if doubt.was_told(level) else ROUNDS_AFTER):
        _arrived(work, send, level, doubt)
    elif agains >= KEEPS_AFTER:
        feel(work, send, level)
    else:
        work.set(known=known.doubting(send, replace(doubt, again=level, agains=agains)))


def _is_right(level: Level, asked: Level | None, doubt: Doubt | None) -> bool:
    """Whether a level is the one that was asked for, and not one that the desk was told before."""
    if asked is None or doubt is None or not doubt.was_told(level):
        return _near(level, asked)
    return abs(height(level) - height(asked)) <= SAME


def _near(level: Level, other: Level | None) -> bool:
    return other is not None and abs(height(level) - height(other)) <= NEAR


def _slack(level: Level) -> int:
    return ROUNDS_BY if height(level) > COARSE_BELOW else 4 * ROUNDS_BY


def _of_a_stored_scene(work: Work, send: int) -> bool:
    """Whether the desk may still be saying what a scene of its own has brought it to: for a while, and until it was
    told ours."""
    stored, state = work.state.known.stored, work.state
    if stored is None:
        return False
    return work.at - stored < GRACE_NS or (state.asked[send] is None and state.steps[send] is not None)


# -- making sure ------------------------------------------------------------------------------------------


def look_into(work: Work) -> None:
    """Doubts whose time is now or past: tell again and ask, as the link allows."""
    doubts, at = work.state.known.doubts.copy(), work.at
    due = [send for send, doubt in doubts.items() if doubt.due <= at]
    for send in [send for send in due if doubts[send].sure]:
        if work.plan.can_ask(send):
            doubts[send] = replace(doubts[send], sure=False, was=True, last=True, tries=0)
        else:
            del doubts[send]
    given_up = [send for send in due if send in doubts and doubts[send].tries >= TRIES]
    for send in given_up:
        del doubts[send]
    open_ = [send for send in due if send in doubts]
    wait = _wait(work)
    if open_ and wait:
        doubts |= {send: replace(doubts[send], due=at + wait) for send in open_}
    elif open_:
        _look(work, open_, doubts)
    work.set(known=work.state.known.with_doubts(doubts))
    if given_up:
        what = work.plan.send_name(given_up[0]) if len(given_up) == 1 else f"{len(given_up)} levels"
        work.out(Refused(at=at, press=work.next_press(), who=DESK, reason=Reason.UNANSWERED, what=what))
    if work.state.known.reading and not doubts:
        _was_read(work)


def _wait(work: Work) -> int:
    """How long the link has no room for questions: a fade goes first. 0 where there is room, ns."""
    state = work.state
    if state.fade is not None and state.desk_here:
        return max(1, state.fade.ends - work.at)
    return max(0, state.wire_free - work.at)


def _look(work: Work, open_: list[int], doubts: dict[int, Doubt]) -> None:
    """Look into as many of the doubts as may be handed over at once; the others come next."""
    answers, at = work.plan.answers, work.at
    if work.state.known.reading and not answers.each:
        # One question is for all of them.
        work.out(Question(at=at, sends=()))
        work.carries(work.plan.link.message_ns)
        doubts |= {send: _asked(doubts[send], at) for send in open_}
        return
    again: list[tuple[int, Level]] = []
    asks: list[int] = []
    carries = 0
    for send in open_:
        takes = work.plan.takes(send)
        doubt, level = doubts[send], work.state.asked[send]
        if carries and carries + takes > work.plan.link.burst_ns:
            doubts[send] = replace(doubt, due=at + 1)
            continue
        carries += takes
        step = work.plan.in_steps(send, level)
        if step is not None and not doubt.retold and _tells_again(work, send, doubt):
            again.append((send, step))
            doubt = replace(doubt, retold=True, due=at + 1)
            doubts[send] = doubt if work.plan.can_ask(send) else _asked(doubt, at)
        else:
            if work.plan.can_ask(send):
                asks.append(send)
            doubts[send] = _asked(doubt, at)
    if again:
        work.out(Ask(at=at, press=work.state.presses, levels=tuple(again)))
    if asks:
        work.out(Question(at=at, sends=tuple(asks)))
    work.carries(carries)


def _asked(doubt: Doubt, at: int) -> Doubt:
    return replace(doubt, due=at + pause(doubt.tries), tries=doubt.tries + 1, retold=False)


def _tells_again(work: Work, send: int, doubt: Doubt) -> bool:
    """Whether a level in doubt is told again: not while the desk is read, not before the first question, and not where
    it came right before."""
    return not (doubt.was or work.state.known.reading) and (doubt.tries > 0 or not work.plan.can_ask(send))
