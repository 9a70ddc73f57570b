"""What comes in by the core's one door: small frozen values.

`pedal` and `control` are indices into the plan. The time of an event is an argument of `step`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

from stagectl.core.actions import Action
from stagectl.core.levels import Level


@dataclass(frozen=True, slots=True, kw_only=True)
class Moved:
    """A control said a value, 0 to the control's `top`. For a switch, 64 of 127 and above is down
    (MIDI 1.0: 0-63 off, 64-127 on)."""

    pedal: int
    control: int
    value: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Unmapped:
    """A pedal said something that no control of its mapping stands for. `said`: the bytes, as text."""

    pedal: int
    said: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PedalWent:
    """The pedal's port is gone: its controls are released without firing."""

    pedal: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PedalCame:
    """The pedal's port is here. Fires nothing."""

    pedal: int


@dataclass(frozen=True, slots=True, kw_only=True)
class LampsWent:
    """The pedal's lamps cannot be told anything for now."""

    pedal: int


@dataclass(frozen=True, slots=True, kw_only=True)
class LampsCame:
    """The pedal's lamps can be told things (again)."""

    pedal: int


@dataclass(frozen=True, slots=True, kw_only=True)
class DeskWent:
    """The desk cannot be told anything for now."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DeskCame:
    """The desk can be told things (again)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DeskSaid:
    """The desk says what level a send has: asked for it, or because it has changed."""

    send: int
    level: Level


@dataclass(frozen=True, slots=True, kw_only=True)
class PlayerWent:
    """The track player cannot be told anything for now."""

    player: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PlayerCame:
    """The track player can be told things (again). Starts nothing."""

    player: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PlayerSaid:
    """The track player says where it is: `position`, ns since the track's beginning, and whether it `runs`."""

    player: int
    position: int
    runs: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class PlayerEnded:
    """The track player has played a song's track (by the song's index) to its end."""

    player: int
    song: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PlayerFailed:
    """The track player cannot play a song's track (by the song's index) that it was told to start."""

    player: int
    song: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """An action asked for by something other than a pedal: the terminal, an OSC message."""

    action: Action
    who: str
    listener: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Wake:
    """Nothing but time has passed."""


Event: TypeAlias = (
    Moved
    | Unmapped
    | PedalWent
    | PedalCame
    | LampsWent
    | LampsCame
    | DeskWent
    | DeskCame
    | DeskSaid
    | PlayerWent
    | PlayerCame
    | PlayerSaid
    | PlayerEnded
    | PlayerFailed
    | Wanted
    | Wake
)
