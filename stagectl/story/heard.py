"""What came in by the core's one door, as a journal keeps it: enough to play a night again.

The core does the same to the same events at the same times, so these are the whole night; the rows of the story follow
from them. A `Wake` is none of them: what is due by a time is done before the next event, however often it was woken.

Events name pedals, sends, players and songs by their indices in the plan of their night (`translate.py`).
"""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any, Final, get_args

from msgspec.structs import asdict

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
from stagectl.story.entry import Heard

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

SAID_MAX: Final = 200
"""Characters of what is no action that are repeated."""

_NUMBER: Final = {kind: number for number, kind in enumerate(KINDS)}
_FIELDS: Final = tuple(kind.__struct_fields__ for kind in KINDS)
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
    elif kind in (DeskWent, PlayerWent):
        given["broken_off"] = bool(given["broken_off"])
    elif kind is Wanted:
        given["action"] = _unpacked(str(given["action"]))
    make: Callable[..., Event] = kind
    return make(**given)


def _packed(action: Action) -> str:
    return json.dumps({"does": action.word, **asdict(action)})


def _unpacked(text: str) -> Action:
    try:
        written: dict[str, Any] = json.loads(text)
        kind: Callable[..., Action] = _ACTIONS[written.pop("does")]
        if "lasts" in written:
            written["lasts"] = Lasts(written["lasts"])
        return kind(**written)
    except (ValueError, TypeError, LookupError, AttributeError, RecursionError) as error:
        raise ValueError(f"there is no action in {text[:SAID_MAX]}: {error}") from error
