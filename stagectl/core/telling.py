"""The last door before the desk: no message takes a level, or a mix, higher than it may be, or up too fast.

Every new level that the desk is asked for goes through here (what it has lost is said again by `answers.py`). Where it
must wait, the fade comes back to it.
"""

from __future__ import annotations

from stagectl.core.levels import Level, Off, height
from stagectl.core.mixes import Power, highest, highest_whole, most_of, power, power_of, total
from stagectl.core.rise import as_far_as, begins_at, paid_at, still_paying
from stagectl.core.whole_mixes import above_zero
from stagectl.core.work import Work


class Teller:
    """What the desk is asked for in one go. `was`: what it was asked for before; `asked`: what it is asked for then;
    `levels`: what it is told."""

    def __init__(self, work: Work) -> None:
        self.work = work
        self.was = work.state.asked
        self.had = work.state.known.before
        self.asked = list(self.was)
        self.retell = set(work.state.retell)
        self.rising = still_paying(work.state.rising, work.at)
        self.levels: list[tuple[int, Level]] = []
        self._inputs: dict[int, Power] = {}

    def tell(self, send: int, level: Level) -> None:
        """Ask for a step of the desk's, or for as much of it as may be now."""
        now = self.asked[send]
        if level == now and send not in self.retell:
            return
        was = self.had.get(send) if now is None else now
        if isinstance(level, int) and (not isinstance(was, int) or level > was):
            may = self._rise(send, now, was, level)
            if may is None or may == now:
                return
            level = may
        self.retell.discard(send)
        self._count(send, level)
        self.asked[send] = level
        self.levels.append((send, level))

    def _rise(self, send: int, now: Level | None, was: Level | None, aim: int) -> Level | None:
        """How far a send may rise towards `aim` now; None where it may not. `now`: what it was asked for, `was`: that,
        or what it had before."""
        plan, at = self.work.plan, self.work.at
        grid = plan.grids[send]
        assert grid is not None
        step: Level | None = aim
        most = self._most(send, aim)
        if most is not None and (isinstance(most, Off) or aim > most):
            step = grid.nearest(most, min(plan.ceilings[send], height(most)))
            if was is not None and height(step) <= height(was):
                return None
        rise = plan.limits.rise
        if rise is None or now is None or not isinstance(step, int):
            return step
        start = begins_at(now, step, plan.limits.nudge_floor)
        step = as_far_as(start, step, grid, plan.ceilings[send], self.rising.get(send), at, rise)
        if isinstance(step, int):
            self.rising[send] = paid_at(step - start, self.rising.get(send), at, rise)
        return step

    def _most(self, send: int, aim: int) -> Level | None:
        """The highest level that a send may have under the ceiling of its mix, with the others as they are; None where
        it may have `aim`. A level that is not known counts as the one that it will get, or as what the desk was told
        last, if that is louder; an input that is not driven here, as what it was told before."""
        plan = self.work.plan
        listener, column = divmod(send, plan.width)
        ceiling = plan.mix_ceilings[listener]
        if ceiling is None:
            return None
        inputs = self._power(listener)
        if column == plan.whole:
            return highest_whole(ceiling, inputs)
        most = most_of(ceiling, self._now(plan.mixes[listener].stop - 1))
        if most is None:
            return None
        left = most - inputs + power_of(self._now(send))
        return None if power(aim) <= left else highest(left)

    def _now(self, send: int) -> Level | None:
        step, asked = self.work.state.steps[send], self.asked[send]
        if step is None and send % self.work.plan.width == self.work.plan.whole:
            # Nobody tells it: where it is lower than 0 dB, a hand may bring it back up.
            above = self.work.state.above.get(self.work.plan.listener_of(send), 0)
            return above if asked is None else above_zero(asked)
        return _louder(step, self.had.get(send)) if asked is None else asked

    def _power(self, listener: int) -> Power:
        """What the inputs of a mix come to now."""
        if listener not in self._inputs:
            mix = self.work.plan.mixes[listener]
            asked = self.asked[mix.start : mix.stop - 1]
            inputs = map(self._now, range(mix.start, mix.stop - 1)) if None in asked else asked
            self._inputs[listener] = total(inputs)
        return self._inputs[listener]

    def _count(self, send: int, level: Level) -> None:
        if not self._inputs:
            return
        listener, column = divmod(send, self.work.plan.width)
        if listener in self._inputs and column != self.work.plan.whole:
            self._inputs[listener] += power_of(level) - power_of(self._now(send))


def _louder(one: Level | None, other: Level | None) -> Level | None:
    return max((level for level in (one, other) if level is not None), key=height, default=None)
