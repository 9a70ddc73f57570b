"""What each action can move: the place, or the levels of some sends. Tables by the type of the action.

`NEITHER` lists the actions that move neither, so that none is forgotten. `undo` and `clear nudges` are among them: they
only bring back what was there before; where `undo` leads is worked out in `reach.py`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final, NamedTuple

from stagectl.core.actions import (
    Action,
    Back,
    ClearNudges,
    GoTo,
    Lasts,
    Next,
    Nothing,
    Nudge,
    Recall,
    Ride,
    StartCue,
    StopCue,
    SwitchLayer,
    Tell,
    Undo,
)
from stagectl.core.plan import Plan
from stagectl.core.state import Place


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
    place = None if row is None else row(action, stop)
    return place if place is not None and 0 <= place.stop < len(plan.stops) else None


def region(plan: Plan, lasts: Lasts, stop: int) -> int:
    """Where a nudge that lasts so long holds: as long as the night stays within one region. (One region too wide is on
    the safe side.)"""
    return plan.stops[stop].song if lasts is Lasts.SONG else 0


def _send(plan: Plan, column: int | None, listener: int | None) -> int | None:
    """The send that an action means; None where it is refused."""
    if listener is None:
        return None
    column = plan.own[listener] if column is None else column
    return None if column is None else plan.send(listener, column)


def _of(action: Nudge | Ride, listener: int | None) -> int | None:
    return listener if action.listener is None else action.listener


def _nudge(plan: Plan, action: Nudge, listener: int | None) -> tuple[Pull, ...]:
    send = _send(plan, action.column, _of(action, listener))
    return () if send is None else (Pull(send, action.lasts, up=action.by > 0),)


def _ride(plan: Plan, action: Ride, listener: int | None) -> tuple[Pull, ...]:
    send = _send(plan, action.column, _of(action, listener))
    low, high = sorted((action.low, action.high))
    return () if send is None else (Pull(send, None, low=low, high=high),)


PULLS: Final[Mapping[type, Callable[[Plan, Any, int | None], tuple[Pull, ...]]]] = {Nudge: _nudge, Ride: _ride}

LEADS: Final[Mapping[type, Callable[[Any, int], Place]]] = {
    Next: lambda _, stop: Place(stop=stop + 1),
    Back: lambda _, stop: Place(stop=stop - 1),
    GoTo: lambda action, _: Place(stop=action.stop),
    Recall: lambda action, stop: Place(stop=stop, scene=action.scene),
}

NEITHER: Final = frozenset((ClearNudges, Undo, StartCue, StopCue, Tell, SwitchLayer, Nothing))
