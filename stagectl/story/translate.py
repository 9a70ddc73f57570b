"""From the events of one plan to those of another, by names.

Events name pedals, sends, players and songs by their indices in the plan of their night. What the other plan does not
have is left out; of names that stand there several times, the nth is taken for the nth. What a control said is said as
the control of that name would: a pedal that broke may have been replaced by another one.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from msgspec.structs import asdict, replace

from stagectl.core.actions import Action
from stagectl.core.contacts import Kind
from stagectl.core.events import Event, Moved
from stagectl.core.feet import Control
from stagectl.core.plan import Plan


class Translation:
    """From the events of one plan to those of another, by names."""

    def __init__(self, old: Plan, new: Plan) -> None:
        pedals = _by_name([one.name for one in old.pedals], [one.name for one in new.pedals])
        listeners = _by_name(old.listeners, new.listeners)
        columns = _by_name(_columns(old), _columns(new))
        songs = _by_name(_songs(old), _songs(new))
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
        self._clicked: set[tuple[int, int]] = set()
        """Switches that click over, and stand there by what was translated."""
        self._feet = {
            (pedal, at): (old.pedals[pedal].controls[at], new.pedals[pedals[pedal]].controls[to])
            for pedal, controls in self._controls.items()
            for at, to in controls.items()
        }

    def __call__(self, event: Event) -> Event | None:
        """The event, for the new plan; None where it has nothing that this could be about."""
        changes: dict[str, Any] = {}
        for name, said in asdict(event).items():
            value: Any = said
            if name == "control":
                value = self._controls.get(getattr(event, "pedal"), {}).get(value)  # noqa: B009
            elif name == "action":
                value = self._action(value)
            elif name in self._maps and value is not None:
                value = self._maps[name].get(value)
            else:
                continue
            if value is None and said is not None:
                return None
            changes[name] = value
        return replace(event, **changes)

    def all_of(self, event: Event) -> tuple[Event, ...]:
        """The same, said as the other plan's control says it, which may take two messages; nothing where the event has
        nothing that it could be about."""
        found = self(event)
        if not isinstance(event, Moved) or not isinstance(found, Moved):
            return () if found is None else (found,)
        old, new = self._feet[event.pedal, event.control]
        if (old.top, old.kind, old.switch) == (new.top, new.kind, new.switch) or not 0 <= event.value <= old.top:
            return (found,)
        if new.turns:
            return (replace(found, value=(event.value * new.top * 2 + old.top) // (2 * old.top)),)
        says = [_says(new, down=down) for down in self._downs(event, old, new)]
        return tuple(replace(found, value=value) for value in says)

    def _downs(self, event: Moved, old: Control, new: Control) -> tuple[bool, ...]:
        """Which states of the new switch come of one of the old one's. Of one that never says that it was let go, and
        of one that clicks over, each message is a press."""
        down = old.switch.is_down(event.value, old.top)
        if old.kind is new.kind or new.kind is Kind.ONE_SHOT:
            return (down or (old.kind is Kind.LATCHING and new.kind is Kind.ONE_SHOT),)
        if new.kind is Kind.MOMENTARY:
            return (True, False)
        if down or old.kind is Kind.ONE_SHOT:
            self._clicked ^= {(event.pedal, event.control)}
        return ((event.pedal, event.control) in self._clicked,)

    def send(self, send: int) -> int | None:
        """The send of the same listener and input; None where there is none."""
        return self._maps["send"].get(send)

    def _action(self, action: Action) -> Action | None:
        changes: dict[str, Any] = {}
        for name, value in asdict(action).items():
            if name in self._maps and value is not None:
                changes[name] = self._maps[name].get(value)
                if changes[name] is None:
                    return None
        return replace(action, **changes)


def _says(control: Control, *, down: bool) -> int:
    return control.top if down is not control.switch.rests_closed else 0


def _by_name(old: Sequence[str], new: Sequence[str]) -> dict[int, int]:
    """Where each of some names is in another list; of a name that stands there several times, the nth is the nth."""
    places: dict[str, list[int]] = {}
    for at, name in reversed(list(enumerate(new))):
        places.setdefault(name, []).append(at)
    return {at: left.pop() for at, name in enumerate(old) if (left := places.get(name))}


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
