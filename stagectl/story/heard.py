"""What came in by the core's one door, as a journal keeps it: enough to play a night again.

The core does the same to the same events at the same times, so these are the whole night; the rows of the story follow
from them. A `Wake` is none of them: what is due by a time is done before the next event, however often it was woken.

Events name pedals, sends, players and songs by their indices in the plan of their night. For another plan they are
translated by name (`Translation`); what the other plan does not have is left out.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import fields, replace
from typing import Any, Final, NamedTuple, TypeAlias, get_args

from stagectl.core.actions import Action, Lasts
from stagectl.core.events import (
    DeskCame,
    DeskSaid,
    DeskWent,
    Event,
    LampsCame,
    LampsWent,
    Moved,
    PedalCame,
    PedalWent,
    PlayerCame,
    PlayerEnded,
    PlayerFailed,
    PlayerSaid,
    PlayerWent,
    Unmapped,
    Wanted,
)
from stagectl.core.levels import OFF, Off
from stagectl.core.plan import Plan

Value: TypeAlias = int | str | None


class Heard(NamedTuple):
    """One event. `at`: ns since the night began, at or after the one before: when the core has taken it to happen.
    `kind`: its number in `KINDS`; `one`, `two`, `three`: its fields, in their order. `said`: the bytes that a pedal
    sent, where it came as bytes."""

    at: int
    kind: int
    one: Value = None
    two: Value = None
    three: Value = None
    said: bytes | None = None


KINDS: Final[tuple[type[Event], ...]] = (
    Moved,
    Unmapped,
    PedalWent,
    PedalCame,
    LampsWent,
    LampsCame,
    DeskWent,
    DeskCame,
    DeskSaid,
    PlayerWent,
    PlayerCame,
    PlayerSaid,
    PlayerEnded,
    PlayerFailed,
    Wanted,
)
"""Every kind of event but `Wake`; a kind's number is its place, so new ones go to the end."""

_NUMBER: Final = {kind: number for number, kind in enumerate(KINDS)}
_FIELDS: Final = tuple(tuple(field.name for field in fields(kind)) for kind in KINDS)
_ACTIONS: Final = {kind.word: kind for kind in get_args(Action)}


def heard(event: Event, at: int, said: bytes | None = None) -> Heard:
    """An event as it is kept. Raises KeyError for a `Wake`."""
    number = _NUMBER[type(event)]
    values = [getattr(event, name) for name in _FIELDS[number]]
    if isinstance(event, Wanted):
        values[0] = _packed(event.action)
    elif isinstance(event, DeskSaid) and isinstance(event.level, Off):
        values[1] = "off"
    one, two, three = (*values, None, None, None)[:3]
    return Heard(at, number, one, two, three, said)


def event(kept: Heard) -> Event:
    """The event that was kept. Raises ValueError where it is none."""
    if not 0 <= kept.kind < len(KINDS):
        raise ValueError(f"there is no kind of event {kept.kind}; they go from 0 to {len(KINDS) - 1}")
    kind, names = KINDS[kept.kind], _FIELDS[kept.kind]
    given: dict[str, Any] = dict(zip(names, (kept.one, kept.two, kept.three), strict=False))
    if kind is DeskSaid and given["level"] == "off":
        given["level"] = OFF
    elif kind is PlayerSaid:
        given["runs"] = bool(given["runs"])
    elif kind is Wanted:
        given["action"] = _unpacked(str(given["action"]))
    make: Callable[..., Event] = kind
    return make(**given)


def _packed(action: Action) -> str:
    written = {field.name: getattr(action, field.name) for field in fields(action)}
    return json.dumps({"does": action.word, **written})


def _unpacked(text: str) -> Action:
    written: dict[str, Any] = json.loads(text)
    kind = _ACTIONS.get(written.pop("does", None))
    if kind is None:
        raise ValueError(f"there is no action in {text}")
    if "lasts" in written:
        written["lasts"] = Lasts(written["lasts"])
    make: Callable[..., Action] = kind
    return make(**written)


class Translation:
    """From the events of one plan to those of another, by names."""

    def __init__(self, old: Plan, new: Plan) -> None:
        pedals = _by_name([one.name for one in old.pedals], [one.name for one in new.pedals])
        listeners = _by_name(old.listeners, new.listeners)
        columns = _by_name(_columns(old), _columns(new))
        songs = _by_name(_songs(old), _songs(new))
        self._old, self._new = old, new
        self._maps: Mapping[str, Mapping[int, int]] = {
            "pedal": pedals,
            "listener": listeners,
            "column": columns,
            "song": songs,
            "player": _by_name([one.name for one in old.players], [one.name for one in new.players]),
            "scene": _by_name([one.name for one in old.scenes], [one.name for one in new.scenes]),
            "message": _by_name([one.name for one in old.messages], [one.name for one in new.messages]),
            "stop": _by_name(_stops(old), _stops(new)),
            "send": {
                old.send(listener, column): new.send(other, new_column)
                for listener, other in listeners.items()
                for column, new_column in columns.items()
                if column < old.width and new_column < new.width
            },
        }
        self._controls = {
            pedal: _by_name(
                [one.name for one in old.pedals[pedal].controls], [one.name for one in new.pedals[other].controls]
            )
            for pedal, other in pedals.items()
        }

    def __call__(self, event: Event) -> Event | None:
        """The event, for the new plan; None where it has nothing that this could be about."""
        changes: dict[str, Any] = {}
        for field in fields(event):
            value = getattr(event, field.name)
            if field.name == "control":
                value = self._controls.get(getattr(event, "pedal"), {}).get(value)  # noqa: B009
            elif field.name == "action":
                value = self._action(value)
            elif field.name in self._maps and value is not None:
                value = self._maps[field.name].get(value)
            else:
                continue
            if value is None and getattr(event, field.name) is not None:
                return None
            changes[field.name] = value
        return replace(event, **changes)

    def _action(self, action: Action) -> Action | None:
        changes: dict[str, Any] = {}
        for field in fields(action):
            value = getattr(action, field.name)
            if field.name in self._maps and value is not None:
                changes[field.name] = self._maps[field.name].get(value)
                if changes[field.name] is None:
                    return None
        return replace(action, **changes)


def _by_name(old: Sequence[str], new: Sequence[str]) -> dict[int, int]:
    """Where each of some names is in another list; of a name that stands there several times, the nth is the nth."""
    places: dict[tuple[str, int], int] = {(name, list(new[:at]).count(name)): at for at, name in enumerate(new)}
    found = {at: places.get((name, list(old[:at]).count(name))) for at, name in enumerate(old)}
    return {at: place for at, place in found.items() if place is not None}


def _columns(plan: Plan) -> list[str]:
    return [plan.column_name(column) for column in range(plan.width + len(plan.groups))]


def _songs(plan: Plan) -> list[str]:
    firsts = [plan.first_of(song) for song in range(_song_count(plan))]
    return ["" if first is None else plan.song_name(first) for first in firsts]


def _song_count(plan: Plan) -> int:
    return 1 + max((stop.song for stop in plan.stops), default=-1)


def _stops(plan: Plan) -> list[str]:
    """Each stop by its song and itself."""
    return [f"{plan.song_name(at)}\n{stop.name if stop.section >= 0 else ''}" for at, stop in enumerate(plan.stops)]
