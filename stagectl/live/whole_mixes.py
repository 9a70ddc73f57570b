"""Whole mixes that are off at the desk, so that a listener would hear nothing whatever is sent to them.

A show that leaves the whole mixes alone never moves them, and one that is off at the desk stays off. It is said when
the desk has been read: in the line that says that everything is ready, and afterwards each time that the desk is back.
"""

from __future__ import annotations

from collections.abc import Callable

from stagectl.core.levels import Level, Off, text
from stagectl.core.plan import Plan
from stagectl.core.state import State
from stagectl.show.rig import RigModel
from stagectl.show.whole_mix_fit import counted_as_0_db
from stagectl.show.whole_mix_fit import names as named


def off_at_the_desk(plan: Plan, state: State) -> str | None:
    """Whose whole mix the desk says is off, or as low as it goes, and stays so: `the whole mix of drums is off at the
    desk`. None where there is none, or none is known."""
    # What the first `next` brings up is nothing to worry about.
    comes = state.steps if state.recalled else plan.rests[min(1, len(plan.stops) - 1)].steps
    found: dict[str, list[str]] = {}
    for listener, name in enumerate(plan.listeners):
        send = plan.send(listener, plan.whole)
        level = state.known.said.get(send)
        if _is_silent(plan, level) and (comes[send] is None or _is_silent(plan, comes[send])):
            found.setdefault(text(level), []).append(name)
    return "; ".join(_sentence(names, level) for level, names in found.items()) or None


def _is_silent(plan: Plan, level: Level | None) -> bool:
    """Whether a whole mix is off, or at the lowest level of a desk that cannot say off."""
    if level is None or plan.whole_grid is None:
        return False
    return isinstance(level, Off) or (not plan.whole_grid.has_off and level <= plan.whole_grid.steps[0])


def _sentence(names: list[str], level: str) -> str:
    whose = named(names)
    mixes = f"whole mix of {whose} is" if len(names) == 1 else f"whole mixes of {whose} are"
    at = "off" if level == "off" else f"at {level}"
    return f"the {mixes} {at} at the desk, and the show leaves {'it' if len(names) == 1 else 'them'} so"


class WholeMixes:
    """Looks at every state. `warn` is told what is off whenever the desk has been read, once `begin` was called; and
    then of what a ceiling of the `rig` counts as 0 dB and nothing reads."""

    def __init__(self, plan: Plan, warn: Callable[[str], None], rig: RigModel) -> None:
        self._plan = plan
        self._counted = counted_as_0_db(rig, plan)
        self._warn = warn
        self._was_read = False
        self._begun = False
        self.can_read = any(plan.can_read(plan.send(at, plan.whole)) for at in range(len(plan.listeners)))
        """Whether the desk says these levels at all."""

    def look(self, state: State) -> None:
        """The state after an event."""
        if state.desk_here == self._was_read:
            return
        self._was_read = state.desk_here
        if self._begun and state.desk_here:
            said = off_at_the_desk(self._plan, state)
            if said is not None:
                self._warn(said)

    def begin(self, state: State) -> str | None:
        """Everything is ready: what is off now, as far as the desk has been read. From now on it is told by itself."""
        self._begun = True
        if self._counted is not None:
            self._warn(self._counted)
        return off_at_the_desk(self._plan, state) if state.desk_here else None
