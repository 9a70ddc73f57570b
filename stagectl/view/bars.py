"""Each listener's nudges as the stage page shows them: by how much, where that took the level, and what is left.

Everything is asked of the core: `target` makes the level of a send and, given a bound that bounds nothing, what it
would be without its ceiling; `range_top` is how far nudging may come, `at_top` why no further; `most_of`, `total` and
`highest` are the mix as a sum.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, TypedDict

from stagectl.core.actions import WISHED, Lasts
from stagectl.core.effects import Reason
from stagectl.core.levels import Level, Off, Shown, shown
from stagectl.core.limits import Bounds
from stagectl.core.mixes import highest, most_of, total
from stagectl.core.nudges import Wish, at_top, range_top, target
from stagectl.core.targets import scene_levels, touched
from stagectl.show.explain import BEYOND, UNBOUNDED

if TYPE_CHECKING:
    from stagectl.core.plan import Levels, Plan
    from stagectl.core.state import State

NUDGES_MAX: Final = 12
"""Nudges of a listener that the board lists; more are counted."""

ENDS: Final = {
    Reason.AT_CEILING: "ceiling",
    Reason.AT_TOP: "top of the nudge range",
    Reason.AT_DESK_TOP: "top of the desk",
}
"""What the way up ends at, in words."""


class NudgeEntry(TypedDict):
    """One nudged send, levels in hundredths of a dB. `by`: all of its nudges and its treadle together; above the nudge
    floor where the song has it `off`, which is `lifted`. `level`: what is heard now; `room`: how far it may still be
    nudged up, None where it is off; `end`: what is there; `held`: its ceiling holds it lower than was asked for."""

    input: str
    by: int
    level: Shown
    room: int | None
    end: str
    held: bool
    lifted: bool
    own: bool


class SumEntry(TypedDict):
    """The mix as a whole. `by`: its own nudge; `held`: the ceiling of the mix holds it lower; `room`: how far its sum
    is below that ceiling, hundredths of a dB, None where it has none, where nothing plays or the mix is hushed."""

    by: int
    held: bool
    room: int | None


class MixEntry(TypedDict):
    """A listener. `more`: so many nudges are not listed."""

    name: str
    own: str | None
    hushed: bool
    nudges: list[NudgeEntry]
    more: int
    mix: SumEntry


class Bars:
    """Makes the mixes of a plan. A mix in which nothing has changed is not made again."""

    def __init__(self, plan: Plan) -> None:
        self._plan = plan
        self._free = Bounds(ceiling=BEYOND, grid=UNBOUNDED, limits=plan.limits)
        self._made: dict[int, tuple[tuple[object, ...], MixEntry]] = {}

    def mixes(self, state: State) -> list[MixEntry]:
        """All listeners, in the order of the rig."""
        plan = self._plan
        sends: dict[int, list[int]] = {}
        for send in touched(state.wishes):
            if send in state.rides or any(send in state.nudges[lasts] for lasts in WISHED):
                sends.setdefault(send // plan.width, []).append(send)
        base = scene_levels(plan, state.place)
        return [self._mix(state, base, at, sends.get(at, [])) for at in range(len(plan.listeners))]

    def _mix(self, state: State, base: Levels, listener: int, sends: list[int]) -> MixEntry:
        plan = self._plan
        first, end = plan.send(listener, 0), plan.send(listener + 1, 0)
        hushed, held = listener in state.hushed, listener in state.held
        # Everything that an entry follows from; equal parts are mostly the same objects, so comparing costs little.
        made_of = (
            base[first:end],
            state.wanted[first:end],
            state.steps[first:end],
            tuple(tuple(kept.get(send) for send in sends) for kept in state.nudges),
            tuple(state.rides.get(send, 0) for send in sends),
            sends,
            hushed,
            held,
        )
        before = self._made.get(listener)
        if before is not None and before[0] == made_of:
            return before[1]
        by = {send: _by(state, base[send], send) for send in sends}
        own = plan.own[listener]
        mine = None if own is None else first + own
        # The own input first, then the biggest; only these cost anything.
        order = sorted(sends, key=lambda send: (send != mine, -abs(by[send]), send))
        nudges = [self._nudge(state, base[send], send, by[send]) for send in order[:NUDGES_MAX]]
        whole = end - 1
        entry: MixEntry = {
            "name": plan.listeners[listener],
            "own": None if own is None else plan.inputs[own],
            "hushed": hushed,
            "nudges": nudges,
            "more": len(sends) - len(nudges),
            "mix": {
                "by": by.get(whole, 0),
                "held": held,
                "room": None if hushed else self._room(state, listener),
            },
        }
        self._made[listener] = (made_of, entry)
        return entry

    def _nudge(self, state: State, base: Level | None, send: int, by: int) -> NudgeEntry:
        plan, bounds, ride = self._plan, self._plan.bounds[send], state.rides.get(send, 0)
        listener, column = divmod(send, plan.width)
        entry: NudgeEntry = {
            "input": plan.column_name(column),
            "by": by,
            "level": shown(state.wanted[send]),
            "room": None,
            "end": "",
            "held": False,
            "lifted": isinstance(base, Off) and any(send in one and one[send].lift is not None for one in state.nudges),
            "own": plan.own[listener] == column,
        }
        if base is None or bounds is None:
            return entry
        alone = target(base, send, state.nudges, ride, bounds)
        wish = Wish(send, base, 0, Lasts.NIGHT)
        entry["end"] = ENDS[at_top(wish, bounds)]
        entry["held"] = alone != target(base, send, state.nudges, ride, self._free) or send in state.nudges[Lasts.HELD]
        if isinstance(alone, int):
            entry["room"] = max(0, range_top(wish, bounds) - alone)
        return entry

    def _room(self, state: State, listener: int) -> int | None:
        """How far the sum of a mix is below its ceiling, hundredths of a dB."""
        plan = self._plan
        first, whole = plan.send(listener, 0), plan.send(listener, plan.whole)
        step = state.steps[whole]
        most = most_of(plan.mix_ceilings[listener], state.above.get(listener) if step is None else step)
        if most is None:
            return None
        top, now = highest(most), highest(total(state.steps[first:whole]))
        return max(0, top - now) if isinstance(top, int) and isinstance(now, int) else None


def _by(state: State, base: Level | None, send: int) -> int:
    """By how much a send is nudged and ridden: above the nudge floor where the scene has it off, and somebody lifted it
    from there; hundredths of a dB."""
    kept = [one[send] for lasts in WISHED if send in (one := state.nudges[lasts])]
    lifts = [one.lift for one in kept if one.lift is not None]
    if isinstance(base, Off) and lifts:
        return sum(lifts)
    return sum(one.shift for one in kept) + state.rides.get(send, 0)
