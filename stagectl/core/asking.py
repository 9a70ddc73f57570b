"""From wanted levels to what the desk is asked for, and when."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import compress, count
from operator import ne
from types import MappingProxyType
from typing import Final

from msgspec.structs import replace

from stagectl.core.doubt import Known
from stagectl.core.effects import Ask, Changed, Move
from stagectl.core.fade import FRAME_NS, Fade, Glide, plan_fade
from stagectl.core.levels import Level, Off, height
from stagectl.core.plan import Levels, Plan
from stagectl.core.rise import still_paying
from stagectl.core.targets import Aims
from stagectl.core.telling import Teller
from stagectl.core.work import Presser, Work

NOTHING: Final[Mapping[int, Level | None]] = MappingProxyType({})


def want_hushed(work: Work, by: Presser, whose: frozenset[int], *, back: bool) -> None:
    """Some listeners' mixes are hushed: at once down. Or they come back, gently, and no other mix is held up by it."""
    plan = work.plan
    aims = work.aims_of([plan.send(listener, column) for listener in sorted(whose) for column in range(plan.width)])
    if not back:
        want(work, by, aims, fade_ns=None, hushed=whose)
    elif _others_fade(work, whose):
        want(work, by, aims, fade_ns=None, back=whose)
    else:
        want(work, by, aims, fade_ns=plan.limits.gentle_ns)


def _others_fade(work: Work, whose: frozenset[int]) -> bool:
    """Whether any other mix is on its way."""
    state, listener_of = work.state, work.plan.listener_of
    glides = () if state.fade is None else state.fade.glides
    return any(listener_of(one.send) not in whose and state.asked[one.send] != state.steps[one.send] for one in glides)


def want(
    work: Work,
    by: Presser,
    aims: Aims,
    *,
    fade_ns: int | None,
    leading: int | None = None,
    hushed: frozenset[int] = frozenset(),
    back: frozenset[int] = frozenset(),
    let_go: Mapping[int, Level | None] = NOTHING,
) -> None:
    """Make these the levels that the desk should have: record what moves, and plan the way there.

    `fade_ns`: None where a fade that runs goes on to its own end, and nothing fades where none runs.
    What moves in a fade that runs moves by its whole change at once. `leading`: the send of a nudge, which
    goes first; `hushed`: listeners whose mixes go down at once, and not up before the fade's end; `back`: those whose
    mixes come back gently. `let_go`: sends that were left as hands have put them, and where, and are not any more: they
    move though nothing else is wanted of them.
    """
    before, wanted = work.state.wanted, aims.wanted
    if aims.of is None:
        moved = [*differing(before, wanted)]
    else:
        moved = []
        for listener in aims.of:
            mix = work.plan.mixes[listener]
            moved += [mix.start + at for at in differing(before[mix], wanted[mix])]
    if let_go:
        moved = sorted({*moved, *(send for send, level in let_go.items() if level != aims.steps[send])})
    # It moves from where a hand had left it; else from what was wanted, or what the desk has where nothing was yet.
    asked = work.state.asked
    had = {**{send: asked[send] for send in moved if before[send] is None}, **let_go}
    moves = tuple(
        [Move(send, had.get(send, before[send]), level) for send in moved if (level := wanted[send]) is not None]
    )
    if moves and work.state.left:
        work.set(left=work.state.left - {send for send, _, _ in moves})
    work.set(wanted=wanted, steps=aims.steps, held=aims.held)
    if moves:
        over = remaining(work) if fade_ns is None else fade_ns
        work.out(Changed(at=work.at, press=by.press, who=by.who, cause=by.what, moves=moves, fade_ns=over))
    _plan(work, by.press, fade_ns=fade_ns, first=by.listener, leading=leading, hushed=hushed, back=back)


def left_at(work: Work, sends: Iterable[int]) -> Mapping[int, Level | None]:
    """Those of some sends that are left as hands have put them, and where the desk has them."""
    return {send: work.state.asked[send] for send in sends if send in work.state.left}


def differing(one: Levels, other: Levels) -> Iterator[int]:
    """The sends whose levels differ."""
    return compress(count(), map(ne, one, other))


def resume(work: Work, *, fade_ns: int | None) -> None:
    """Take the desk from what it was last asked for to what is wanted, after it was away, or a hand was on it.
    `fade_ns`: as in `want`."""
    _plan(work, work.state.presses, fade_ns=fade_ns, first=None, leading=None)


def _plan(
    work: Work,
    press: int,
    *,
    fade_ns: int | None,
    first: int | None,
    leading: int | None,
    hushed: frozenset[int] = frozenset(),
    back: frozenset[int] = frozenset(),
) -> None:
    """Replace the fade by one from the present levels; what the old one still had to tell is not queued. A desk that is
    away is told when it comes."""
    state = work.state
    if not state.desk_here:
        if state.fade is not None:
            work.set(fade=None)
        return
    running = state.fade if fade_ns is None else None
    ways = {}
    if running is not None:
        ways = {glide.send: glide for glide in running.glides if glide.send not in running.let_be}
    glides = []
    ahead: set[int] = set()
    asked, steps, left, had = state.asked, state.steps, state.left, state.known.before
    for send in sorted(state.retell.union(differing(asked, steps))):
        if steps[send] is not None and send not in left:
            end = state.wanted[send]
            assert end is not None
            glide = Glide(send, asked[send], end)
            if asked[send] is None and send % work.plan.width == work.plan.whole:
                # Before the inputs that may rise under it, and no higher than it may be while others have to fall.
                ahead.add(send)
                glides.append(replace(glide, end=min(end, had.get(send, end), key=height)))
            elif hushed and work.plan.listener_of(send) in hushed:
                glides.append(_hushed(glide, running))
            elif back and running is not None and work.plan.listener_of(send) in back:
                glides.append(_comes_back(work, glide, running))
            else:
                glides.append(glide if running is None else _gone_on(ways.get(send), glide))
    if not glides:
        work.set(fade=None)
        return
    fade = plan_fade(
        glides,
        at=work.at,
        plan=work.plan,
        wire_free=state.wire_free,
        fade_ns=fade_ns or 0,
        press=press,
        first=first,
        leading=leading,
        running=running,
        ahead=frozenset(ahead),
        had={send: level for send, level in had.items() if asked[send] is None},
    )
    work.set(fade=fade)


def _hushed(new: Glide, running: Fade | None) -> Glide:
    """A glide of a mix that is hushed: down at once; what has yet to rise to where the hush takes it, waits."""
    if new.start is None or height(new.end) <= height(new.start):
        return Glide(new.send, new.end, new.end)
    return new if running is None else Glide(new.send, new.start, new.start, waits=True)


def _comes_back(work: Work, new: Glide, running: Fade) -> Glide:
    """A glide of a mix that comes back from a hush while others fade: with them, if that is gentle, and else after
    them."""
    start, end, limits = new.start, new.end, work.plan.limits
    if start is None or isinstance(end, Off) or height(end) <= height(start):
        return _gone_on(None, new)
    if remaining(work) < max(1, limits.gentle_ns):
        return Glide(new.send, start, start, waits=True)
    return running.joined(new.send, start, end, work.at, limits.nudge_floor)


def _gone_on(old: Glide | None, new: Glide) -> Glide:
    """A glide of a fade that goes on: its old way, moved by as much as its target; where it had none, a cut
    (from its end, so that what falls still goes before what rises)."""
    if old is None:
        falls = new.start is not None and height(new.end) < height(new.start)
        return Glide(new.send, new.end if falls else None, new.end)
    if old.waits and new.start is not None and height(new.end) > height(new.start):
        return Glide(new.send, new.start, new.start, waits=True)
    if old.end == new.end:
        return old
    if isinstance(old.start, Off) or isinstance(old.end, Off) or isinstance(new.end, Off) or old.start is None:
        return Glide(new.send, None, new.end)
    return Glide(new.send, old.start + new.end - old.end, new.end)


def tell_due(work: Work) -> None:
    """Ask for everything whose nominal time is now or past, one bunch of the fade."""
    fade = work.state.fade
    assert fade is not None
    turn = min(fade.turns)
    frame, at = divmod(turn, len(fade.bunches))
    bunch = fade.bunches[at]
    teller = Teller(work)
    next_frame = fade.frames
    for glide in fade.glides[bunch.first : bunch.end]:
        if glide.send not in fade.let_be:
            level = work.plan.in_steps(glide.send, fade.exact(glide, frame, work.plan.limits.nudge_floor))
            assert level is not None
            teller.tell(glide.send, level)
            if teller.asked[glide.send] != level:
                # It has to wait, and may go on in any frame.
                next_frame = frame + 1
            elif next_frame > frame + 1:
                next_frame = min(next_frame, _leaves(work.plan, fade, glide, level))
    after, levels = fade.after_turn(turn, next_frame), teller.levels
    if levels:
        work.set(
            asked=tuple(teller.asked),
            retell=frozenset(teller.retell),
            rising=teller.rising,
            fade=after,
            known=_told(work, teller),
            wire_free=work.free_after(sum([work.plan.takes_ns[send] for send, _ in levels])),
        )
        work.out(Ask(at=work.at, press=fade.press, levels=tuple(levels)))
    else:
        work.set(rising=teller.rising, fade=after)
    if after is None:
        _catch_up(work, fade)


def _leaves(plan: Plan, fade: Fade, glide: Glide, step: Level) -> int:
    """The first frame in which a glide has left the step of the desk's that it is at; the number of frames, where it
    stays there."""
    start, grid = glide.start, plan.grids[glide.send]
    if start is None or isinstance(step, Off) or grid is None:
        # There is nowhere to go, but for a send that is at its end.
        return fade.frames
    up = height(glide.end) > height(start)
    beyond = grid.beyond(step, up=up)
    if beyond is None or beyond > plan.ceilings[glide.send]:
        return fade.frames - 1
    # Halfway between two steps the nearest one is the lower.
    return fade.comes_to(start, glide.end, (step + beyond) // 2 + up, plan.limits.nudge_floor)


def pass_by(work: Work) -> bool:
    """Bunches of the fade that have nothing to tell pass by until now. Returns whether one does just now."""
    fade = work.state.fade
    if fade is None or not work.state.desk_here:
        return False
    after = fade.passed(work.at)
    if after is fade:
        return False
    passed_at = fade.time_of(after.done - 1)
    work.set(fade=after, rising=still_paying(work.state.rising, passed_at))
    return passed_at == work.at


def _told(work: Work, teller: Teller) -> Known:
    """What is known of the desk when it has been told these levels."""
    known, was, answers = work.state.known, teller.was, work.plan.answers
    if answers.confirms:
        surely = answers.echoes
        told = [(send, was[send], level) for send, level in teller.levels if surely or work.plan.can_ask(send)]
        return known.told(told, work.at)
    if answers.reports or answers.reads:
        # It may say back what it is told, whatever its profile says of echoes; or, late, what it was asked before.
        return known.told([(send, was[send], level) for send, level in teller.levels], work.at, sure=True)
    return known


def _catch_up(work: Work, fade: Fade) -> None:
    """A fade is over: what could not rise as fast as it, or had to wait for room under the ceiling of its mix, goes on
    from a frame later; gently, where something was to wait for the end. What nothing makes room for, because a hand
    holds it, waits for the next change."""
    state = work.state
    late = [glide for glide in fade.glides if _is_late(work, fade, glide)]
    if not late:
        return
    goes_on = any(glide.send in state.rising or state.asked[glide.send] != glide.start for glide in late)
    if fade.catches_up and not (goes_on or _can_go_on(work, late)):
        return
    ends = [(glide.send, end) for glide in late if (end := state.wanted[glide.send]) is not None]
    glides = [Glide(send, state.asked[send], end) for send, end in ends]
    at = work.at + FRAME_NS
    ahead = plan_fade(
        glides,
        plan=work.plan,
        at=at,
        wire_free=state.wire_free,
        fade_ns=work.plan.limits.gentle_ns if any(glide.waits for glide in late) else 0,
        press=fade.press,
        first=None,
        catches_up=True,
    )
    work.set(fade=ahead)


def _can_go_on(work: Work, late: Sequence[Glide]) -> bool:
    """Whether any of what is late could be told more by now, though it could not at its turn in the fade."""
    teller = Teller(work)
    for glide in late:
        step = work.state.steps[glide.send]
        assert step is not None
        teller.tell(glide.send, step)
    return bool(teller.levels)


def _is_late(work: Work, fade: Fade, glide: Glide) -> bool:
    send, state = glide.send, work.state
    if send in fade.let_be or send in state.left:
        return False
    return state.asked[send] != state.steps[send] and state.steps[send] is not None


def remaining(work: Work) -> int:
    """How much longer the present fade runs, ns."""
    return 0 if work.state.fade is None else max(0, work.state.fade.last_frame - work.at)
