"""The scene map: every level of a show, stop by stop, as data that JSON can hold.

A level is what the desk would be asked for with nobody's nudges: the plan's own, exact, under the ceilings of sends
and mixes (`core/rest.py`). A jump is a change from one stop to the next of a level that is on at both, up or down, by
MARKED or more, or by the rig's own `limits: jump` where that is less. An input that comes in from `off`, or goes, is no
jump: `off` says so itself.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import TYPE_CHECKING, Final, TypedDict

from stagectl.core.levels import Shown, shown

if TYPE_CHECKING:
    from stagectl.core.plan import Plan
    from stagectl.show.compile import Compiled
    from stagectl.show.load import Show

MARKED: Final = 600
"""From how many hundredths of a dB on a change is marked: 6 dB, twice the amplitude. Common practice, no source."""


class StopEntry(TypedDict):
    """A stop, at the same index as in the plan. `song`: None for the base, before the first song; `section`: None for
    the song itself; `number`: that of the song, 0 for the base; `label`: `3`, and `3.2` for its second section."""

    song: str | None
    section: str | None
    number: int
    label: str


class RowEntry(TypedDict):
    """An input in a listener's mix, or the `whole mix` where the show drives it: a level for each stop."""

    input: str
    levels: list[Shown]


class ListenerEntry(TypedDict):
    """A listener's mix. `own`: the name of their own input, where they have one."""

    name: str
    own: str | None
    rows: list[RowEntry]


class JumpEntry(TypedDict):
    """A level that jumps where the night comes to `stop` from the one before it in the set; `by`: hundredths of a dB,
    signed."""

    listener: str
    input: str
    stop: int
    by: int


class SceneMap(TypedDict):
    """The whole map. `jump`: from how many hundredths of a dB on a change is a jump; `limit`: the rise that the rig
    allows (`limits: jump`)."""

    stops: list[StopEntry]
    listeners: list[ListenerEntry]
    jumps: list[JumpEntry]
    jump: int
    limit: int


def scene_map(show: Show, compiled: Compiled) -> SceneMap:
    """The map of a sound show, at the venue that it was compiled for."""
    plan, limit = compiled.plan, show.rig.limits.jump
    jump = min(MARKED, limit)
    listeners = [_listener(plan, at) for at in range(len(plan.listeners))]
    return {
        "stops": list(_stops(plan)),
        "listeners": listeners,
        "jumps": sorted(_jumps(listeners, jump), key=lambda one: one["stop"]),
        "jump": jump,
        "limit": limit,
    }


def _stops(plan: Plan) -> Iterator[StopEntry]:
    for at, stop in enumerate(plan.stops):
        number = stop.song + 1
        yield {
            "song": plan.song_name(at) if number else None,
            "section": stop.name if stop.section >= 0 else None,
            "number": number,
            "label": f"{number}.{stop.section + 1}" if stop.section >= 0 else str(number),
        }


def _listener(plan: Plan, listener: int) -> ListenerEntry:
    first, own = plan.send(listener, 0), plan.own[listener]
    rows: list[RowEntry] = [
        {"input": plan.column_name(column), "levels": [shown(rest.wanted[first + column]) for rest in plan.rests]}
        for column in range(plan.width)
        if column != plan.whole or any(rest.wanted[first + column] is not None for rest in plan.rests)
    ]
    return {"name": plan.listeners[listener], "own": None if own is None else plan.inputs[own], "rows": rows}


def _jumps(listeners: list[ListenerEntry], jump: int) -> Iterator[JumpEntry]:
    for one in listeners:
        for row in one["rows"]:
            for stop, (before, after) in enumerate(pairwise(row["levels"]), start=1):
                if isinstance(before, int) and isinstance(after, int) and abs(after - before) >= jump:
                    yield {"listener": one["name"], "input": row["input"], "stop": stop, "by": after - before}
