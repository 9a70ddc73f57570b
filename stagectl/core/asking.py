"""From wanted levels to what the desk is asked for, and when."""

from __future__ import annotations

from dataclasses import replace

from stagectl.core.effects import Ask, Changed, Move
from stagectl.core.fade import Fade, Glide, along, plan_fade
from stagectl.core.levels import Level
from stagectl.core.plan import Levels
from stagectl.core.work import Presser, Work


def want(work: Work, by: Presser, wanted: Levels, *, fade_ns: int, leading: int | None = None) -> None:
    """Make `wanted` the exact levels that the desk should have: record what moves, and plan the way there.

    `leading`: the send of a nudge: it moves by its whole change at once, also in the middle of a fade.
    """
    before = work.state.wanted
    moves = tuple(
        Move(send, old, new)
        for send, (old, new) in enumerate(zip(before, wanted, strict=True))
        if new != old and new is not None
    )
    if moves:
        steps = list(work.state.steps)
        for send, _, new in moves:
            steps[send] = work.plan.in_steps(send, new)
        work.set(wanted=wanted, steps=tuple(steps))
        work.out(Changed(at=work.at, press=by.press, who=by.who, cause=by.what, moves=moves, fade_ns=fade_ns))
    _plan(work, by.press, fade_ns=fade_ns, first=by.listener, leading=leading, jumped=before)


def resume(work: Work, *, fade_ns: int) -> None:
    """Take the desk from what it was last asked for to what is wanted, after it was away."""
    _plan(work, work.state.presses, fade_ns=fade_ns, first=None, leading=None, jumped=work.state.wanted)


def _plan(work: Work, press: int, *, fade_ns: int, first: int | None, leading: int | None, jumped: Levels) -> None:
    """Replace the fade by one from the present levels; what the old one still had to tell is not queued."""
    state = work.state
    glides = []
    for send, (told, step) in enumerate(zip(state.asked, state.steps, strict=True)):
        if told != step and step is not None:
            end = state.wanted[send]
            assert end is not None
            start = _jump(told, jumped[send], end) if send == leading else told
            glides.append(Glide(send, start, end))
    if not glides:
        work.set(fade=None)
        return
    fade = plan_fade(
        glides,
        at=max(work.at, state.wire_free - work.plan.link.burst_ns),
        fade_ns=fade_ns,
        link=work.plan.link,
        press=press,
        width=work.plan.width,
        first=first,
        leading=leading,
    )
    work.set(fade=fade)


def _jump(asked: Level | None, before: Level | None, after: Level) -> Level | None:
    """Where a nudged send starts: as far from where it is as the nudge moved its target."""
    if isinstance(asked, int) and isinstance(before, int) and isinstance(after, int):
        return asked + after - before
    return None


def tell_due(work: Work) -> None:
    """Ask for everything whose nominal time is now or past, one bunch of the fade."""
    fade = work.state.fade
    assert fade is not None
    frame, at = divmod(fade.done, len(fade.glides))
    bunch = fade.glides[at : (at // fade.burst + 1) * fade.burst]
    asked = list(work.state.asked)
    levels: list[tuple[int, Level]] = []
    for glide in bunch:
        grid = work.plan.grid_of(glide.send)
        assert grid is not None
        exact = along(glide, frame, fade.frames, work.plan.limits.nudge_floor)
        level = grid.nearest(exact, work.plan.ceilings[glide.send])
        if level != asked[glide.send]:
            asked[glide.send] = level
            levels.append((glide.send, level))
    when = fade.due
    work.set(fade=_after(fade, len(bunch)))
    if levels:
        on_wire = max(work.state.wire_free, when) + len(levels) * fade.message_ns
        work.set(asked=tuple(asked), wire_free=on_wire)
        work.out(Ask(at=when, press=fade.press, levels=tuple(levels)))


def _after(fade: Fade, told: int) -> Fade | None:
    """The fade with that many more messages told; None when it is over."""
    later = replace(fade, done=fade.done + told)
    return None if later.over else later


def remaining(work: Work) -> int:
    """How much longer the present fade runs, ns."""
    return 0 if work.state.fade is None else max(0, work.state.fade.ends - work.at)
