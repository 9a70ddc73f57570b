"""How long what rises takes in a change, message by message, as the core would tell it (`core/asking.py`).

A level has at most `AT_ONCE_NS` of the rig's `limits: rise` in hand, so a message raises it by so much or by one step
of the desk's, however long ago the one before was: where a frame takes the wire longer than that, a level cannot even
rise as fast as it may. What is late when a fade ends is caught up with in frames that hold nothing else.

The times are those of a press that leads with nobody's mix, at most a frame from those of any other; a mix at its
ceiling as a sum may make a level wait for longer.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from stagectl.core.fade import FRAME_NS, Fade, Glide, frames_of, plan_fade
from stagectl.core.levels import Level
from stagectl.core.plan import Levels, Plan
from stagectl.core.rise import AT_ONCE_NS, SECOND_NS, as_far_as, begins_at, paid_at


class Rise(NamedTuple):
    """When the last of the levels that a change raises is there, ns after the press, and which send that is; None where
    none can be late."""

    ns: int = 0
    send: int | None = None


def slowest(plan: Plan, before: Levels, stop: int, told: Sequence[int], fade_ns: int) -> Rise:
    """The slowest rise on the way to a stop. `before`: the desk's steps there, None where nobody knows; `told`: the
    sends that the desk is told."""
    after = plan.rests[stop]
    frames = frames_of(fade_ns, sum(plan.takes(send) for send in told))
    rising = {
        send: old
        for send in told
        if (old := before[send]) is not None and _may_be_late(plan, old, after.steps[send], frames.frames, fade_ns)
    }
    if not rising:
        return Rise()
    climb = _Climb(plan, after.steps, rising)
    ends = {send: end for send in told if (end := after.wanted[send]) is not None}
    glides = [Glide(send, before[send], end) for send, end in ends.items()]
    at = 0
    while glides:
        fade = plan_fade(glides, plan=plan, at=at, wire_free=at, fade_ns=fade_ns, press=0, first=None)
        climb.through(fade)
        at, fade_ns = fade.ends + FRAME_NS, 0
        glides = [Glide(send, climb.asked[send], ends[send]) for send in climb.late]
    return climb.last


def _may_be_late(plan: Plan, old: Level, new: Level | None, frames: int, fade_ns: int) -> bool:
    """Whether a send may not get there with the others: not where each frame raises it by half of what it may at the
    most."""
    rise = plan.limits.rise
    if rise is None or not isinstance(new, int):
        return False
    by, at_once = new - begins_at(old, new, plan.limits.nudge_floor), AT_ONCE_NS * rise // SECOND_NS
    return by > at_once and (2 * by > frames * at_once or 2 * by * SECOND_NS > rise * fade_ns)


class _Climb:
    """Sends on their way up. `asked`: the steps that they are at; `steps`: those that they go to; `last`: which of them
    rose last."""

    def __init__(self, plan: Plan, steps: Levels, asked: Mapping[int, Level]) -> None:
        self.plan, self.steps, self.asked = plan, steps, dict(asked)
        self.last = Rise()
        self._paid: dict[int, int] = {}

    @property
    def late(self) -> list[int]:
        """Those that are not there."""
        return [send for send, level in self.asked.items() if level != self.steps[send]]

    def through(self, fade: Fade) -> None:
        """They go as far as they may in a fade."""
        floor = self.plan.limits.nudge_floor
        for frame in range(fade.frames):
            begins = fade.begun + frame * fade.frame_ns
            for bunch in fade.bunches:
                for glide in fade.glides[bunch.first : bunch.end]:
                    if glide.send in self.asked:
                        level = self.plan.in_steps(glide.send, fade.exact(glide, frame, floor))
                        self._tell(glide.send, level, begins + bunch.after_ns)

    def _tell(self, send: int, aim: Level | None, at: int) -> None:
        """What `Teller` does of it (`core/telling.py`)."""
        plan, now, rise = self.plan, self.asked[send], self.plan.limits.rise
        grid = plan.grids[send]
        if aim == now or not isinstance(aim, int) or grid is None or rise is None:
            return
        start, paid = begins_at(now, aim, plan.limits.nudge_floor), self._paid.get(send)
        step = as_far_as(start, aim, grid, plan.ceilings[send], paid, at, rise)
        if isinstance(step, int):
            self._paid[send] = paid_at(step - start, paid, at, rise)
            if step != now:
                self.asked[send], self.last = step, Rise(at, send)
