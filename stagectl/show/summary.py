"""What a show comes to: what each change tells the desk, how long that takes, and its biggest jump."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final, NamedTuple

from stagectl.core.fade import FRAME_NS
from stagectl.core.levels import OFF, Level, Off
from stagectl.core.plan import Levels, Plan
from stagectl.core.rise import AT_ONCE_NS
from stagectl.show.load import Show
from stagectl.show.rising import slowest
from stagectl.show.wire_time import bytes_of_recall, bytes_of_sends

SUDDEN_NS: Final = 100_000_000
"""A cut that takes longer is heard as one thing after the other, ns (our own choice, no source)."""


class Biggest(NamedTuple):
    """The biggest jump between two levels, if there is one; `switched`: how many levels go to or come from `off`."""

    switched: int = 0
    send: int | None = None
    before: Level | None = None
    after: Level | None = None


class Change(NamedTuple):
    """One step of the setlist, with nobody's nudges. `levels`: how many the desk is told, in `bytes`, which take
    `wire_ns` as one frame; `stored`: the scene that the desk recalls first; `biggest`: of the levels that move.
    `rise_ns`: when the last of what rises is there, ns after the press, and `rises`: that send; None where all rise
    with the change."""

    stop: int
    levels: int
    bytes: int
    wire_ns: int
    fade_ns: int
    stored: int | None
    biggest: Biggest
    rise_ns: int = 0
    rises: int | None = None

    @property
    def is_held_up(self) -> bool:
        """Whether what rises takes so much longer than the change that it is heard to come later."""
        return self.stored is None and self.rise_ns > max(self.fade_ns, self.wire_ns) + SUDDEN_NS

    @property
    def is_slow_to_rise(self) -> bool:
        """Whether a frame of it takes so long that nothing rises as fast as the rig allows (`show/rising.py`)."""
        return self.wire_ns + FRAME_NS > AT_ONCE_NS

    @property
    def jumps(self) -> bool:
        """Whether the wire leaves a fade no time for a second frame, so that it is a cut (`core/fade.py`)."""
        return 0 < self.fade_ns < 2 * self.wire_ns

    @property
    def is_slow_cut(self) -> bool:
        """Whether a cut takes so long that it is none."""
        return not self.fade_ns and self.wire_ns > SUDDEN_NS


class Changes:
    """What a show tells its desk."""

    def __init__(self, show: Show, plan: Plan) -> None:
        self.show, self.plan = show, plan
        self._bytes = bytes_of_sends(show)
        self._takes = tuple(map(plan.takes, range(len(plan.ceilings))))

    def everything(self) -> Change:
        """All levels: what the first `next` tells at the most. A desk that says its levels fades from those to the
        first song, and is told what differs; one that cannot be read is cut to it. `rise_ns` is that from `off`."""
        plan, told = self.plan, self._driven(1)
        change = self._change(1, told, Biggest())
        if not any(map(plan.can_read, told)):
            return change._replace(fade_ns=0)
        before = tuple(OFF if plan.can_read(send) else None for send in range(len(plan.ceilings)))
        return self._with_rises(change, before, [send for send in told if plan.rests[1].steps[send] != before[send]])

    def __iter__(self) -> Iterator[Change]:
        """Every step from one stop to the next."""
        for stop in range(1, len(self.plan.stops)):
            before, after = self.plan.rests[stop - 1], self.plan.rests[stop]
            old, new = before.wanted, after.wanted
            moved = [send for send, (a, b) in enumerate(zip(old, new, strict=True)) if a != b]
            told = [send for send in moved if before.steps[send] != after.steps[send]]
            # Behind a scene that the desk stores, all is told anew.
            stored = self.plan.stops[stop].stored
            change = self._change(stop, told if stored is None else self._driven(stop), _biggest(moved, old, new))
            yield self._with_rises(change, before.steps, told)

    def _with_rises(self, change: Change, before: Levels, told: list[int]) -> Change:
        if change.stored is not None:
            return change
        rise = slowest(self.plan, before, change.stop, told, change.fade_ns)
        return change._replace(rise_ns=rise.ns, rises=rise.send)

    def _change(self, stop: int, told: list[int], biggest: Biggest) -> Change:
        plan, at = self.plan, self.plan.stops[stop]
        bytes_, wire_ns = sum(self._bytes[send] for send in told), sum(self._takes[send] for send in told)
        if at.stored is not None:
            bytes_ += bytes_of_recall(self.show, at.stored)
            wire_ns += plan.link.recall_ns
        # What the desk has behind a stored scene is not known: nothing fades.
        fade_ns = 0 if at.stored is not None else at.fade_ns
        return Change(stop, len(told), bytes_, wire_ns, fade_ns, at.stored, biggest)

    def _driven(self, stop: int) -> list[int]:
        return [send for send, level in enumerate(self.plan.bounded[stop]) if level is not None]


def _biggest(moved: list[int], old: Levels, new: Levels) -> Biggest:
    steps = {send: _jump(old[send], new[send]) for send in moved}
    known = [send for send in moved if steps[send] is not None]
    most = max(known, key=lambda send: steps[send] or 0, default=None)
    switched = len(moved) - len(known)
    return Biggest(switched) if most is None else Biggest(switched, most, old[most], new[most])


def _jump(before: Level | None, after: Level | None) -> int | None:
    if before is None or after is None or isinstance(before, Off) or isinstance(after, Off):
        return None
    return abs(after - before)
