"""What each action can move: the place, or the levels of some sends. Tables by the type of the action.

`NEITHER` lists the actions that move neither, so that none is forgotten. `undo` and `clear nudges` are among them: they
only bring back what was there before; where `undo` leads is worked out in `reach.py`. What a mix as a whole does to its
levels (room, its ceiling, a hush) only lowers them, and is left out: the proof is about how high they get.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final, NamedTuple

from stagectl.core.actions import (
    Action,
    Back,
    ClearNudges,
    FallBack,
    GoTo,
    Hush,
    Lasts,
    Next,
    Nothing,
    Nudge,
    NudgeRest,
    PauseCue,
    Recall,
    Ride,
    StartCue,
    StopCue,
    SwitchLayer,
    Tell,
    Undo,
)
from stagectl.core.advancing import scope
from stagectl.core.plan import Plan
from stagectl.core.state import Place
from stagectl.proof.fallen import fallen


class Pull(NamedTuple):
    """How an action moves one send: a nudge `up` or down that `lasts`, or (None) a treadle's ride, whose shift is
    between `low` and `high`, hundredths of a dB."""

    send: int
    lasts: Lasts | None
    up: bool = False
    low: int = 0
    high: int = 0


def pulls(plan: Plan, action: Action, listener: int | None) -> tuple[Pull, ...]:
    """Which sends an action can move, and which way. `listener`: whose pedal it is on."""
    row = PULLS.get(type(action))
    return () if row is None else row(plan, action, listener)


def leads(plan: Plan, action: Action, stop: int) -> Place | None:
    """Where an action leads from a stop; None where it leads nowhere."""
    row = LEADS.get(type(action))
    place = None if row is None else row(plan, action, stop)
    return place if place is not None and 0 <= place.stop < len(plan.stops) else None


def region(plan: Plan, lasts: Lasts, stop: int) -> int:
    """Where a nudge that lasts so long holds: as long as the night stays within one region."""
    return scope(plan, Place(stop=stop), lasts)


def _part(plan: Plan, action: Nudge | NudgeRest | Ride, listener: int | None) -> tuple[int, int] | None:
    """The listener and the column that an action means; None where it is refused."""
    whose = listener if action.listener is None else action.listener
    if whose is None:
        return None
    column = plan.own[whose] if action.column is None else action.column
    return None if column is None else (whose, column)


def _nudge(plan: Plan, action: Nudge, listener: int | None) -> tuple[Pull, ...]:
    part = _part(plan, action, listener)
    if part is None:
        return ()
    whose, column = part
    columns = plan.members(column)
    if column == plan.whole and plan.stops[0].levels[plan.send(whose, column)] is None:
        columns = tuple(range(plan.whole))
    return tuple(Pull(plan.send(whose, one), action.lasts, up=action.by > 0) for one in columns)


def _nudge_rest(plan: Plan, action: NudgeRest, listener: int | None) -> tuple[Pull, ...]:
    part = _part(plan, action, listener)
    if part is None:
        return ()
    whose, column = part
    columns = (one for one in range(plan.whole) if one not in plan.members(column))
    return tuple(Pull(plan.send(whose, one), action.lasts, up=action.by > 0) for one in columns)


def _ride(plan: Plan, action: Ride, listener: int | None) -> tuple[Pull, ...]:
    part = _part(plan, action, listener)
    low, high = sorted((action.low, action.high))
    return () if part is None else (Pull(plan.send(*part), None, low=low, high=high),)


def _start_cue(plan: Plan, action: StartCue, stop: int) -> Place:
    """Where its sections follow the track, starting it leads to where they begin."""
    cue = plan.stops[stop].cue
    elsewhere = action.here and stop != plan.first_of(plan.stops[stop].song)
    to = None if cue is None or elsewhere else plan.in_force(stop, -cue.lead_ns)
    return Place(stop=NOWHERE if to is None or to == stop else to)


NOWHERE: Final = -1
"""A stop that no show has."""

PULLS: Final[Mapping[type, Callable[[Plan, Any, int | None], tuple[Pull, ...]]]] = {
    Nudge: _nudge,
    NudgeRest: _nudge_rest,
    Ride: _ride,
}

LEADS: Final[Mapping[type, Callable[[Plan, Any, int], Place]]] = {
    Next: lambda _, __, stop: Place(stop=stop + 1),
    Back: lambda _, __, stop: Place(stop=stop - 1),
    GoTo: lambda _, action, __: Place(stop=action.stop),
    Recall: lambda _, action, stop: Place(stop=stop, scene=action.scene),
    FallBack: lambda plan, _, stop: Place(stop=stop, scene=fallen(plan) if stop else None),
    StartCue: _start_cue,
}

NEITHER: Final = frozenset((ClearNudges, Undo, Hush, PauseCue, StopCue, Tell, SwitchLayer, Nothing))
