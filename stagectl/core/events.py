"""What comes in by the core's one door: small frozen values.

`pedal` and `control` are indices into the plan. The time of an event is an argument of `step`.
"""

from __future__ import annotations

from typing import TypeAlias

from msgspec import Struct

from stagectl.core.actions import Action
from stagectl.core.levels import Level


class Moved(Struct, frozen=True, kw_only=True):
    """A control said a value, 0 to the control's `top`. For a switch, 64 of 127 and above is down
    (MIDI 1.0: 0-63 off, 64-127 on)."""

    pedal: int
    control: int
    value: int


class Unmapped(Struct, frozen=True, kw_only=True):
    """A pedal said something that no control of its mapping stands for. `said`: the bytes, as text."""

    pedal: int
    said: str


class PedalWent(Struct, frozen=True, kw_only=True):
    """The pedal's port is gone: its controls are released without firing."""

    pedal: int


class PedalCame(Struct, frozen=True, kw_only=True):
    """The pedal's port is here. Fires nothing."""

    pedal: int


class LampsWent(Struct, frozen=True, kw_only=True):
    """The pedal's lamps cannot be told anything for now."""

    pedal: int


class LampsCame(Struct, frozen=True, kw_only=True):
    """The pedal's lamps can be told things (again)."""

    pedal: int


class DeskWent(Struct, frozen=True, kw_only=True):
    """The desk cannot be told anything for now. `broken_off`: the program ended, and a fade may have gone on after the
    last that is known of it."""

    broken_off: bool = False


class DeskCame(Struct, frozen=True, kw_only=True):
    """The desk can be told things (again)."""


class DeskSaid(Struct, frozen=True, kw_only=True):
    """The desk says what level a send has: asked for it, or because it has changed."""

    send: int
    level: Level


class PlayerWent(Struct, frozen=True, kw_only=True):
    """The track player cannot be told anything for now. `broken_off`: the program ended, and so long ago that nobody
    knows what it plays by now."""

    player: int
    broken_off: bool = False


class PlayerCame(Struct, frozen=True, kw_only=True):
    """The track player can be told things (again). Starts nothing."""

    player: int


class PlayerSaid(Struct, frozen=True, kw_only=True):
    """The track player says where it is: `position`, ns since the track's beginning, and whether it `runs`."""

    player: int
    position: int
    runs: bool


class PlayerEnded(Struct, frozen=True, kw_only=True):
    """The track player has played a song's track (by the song's index) to its end."""

    player: int
    song: int


class PlayerFailed(Struct, frozen=True, kw_only=True):
    """The track player cannot play a song's track (by the song's index) that it was told to start."""

    player: int
    song: int


class Wanted(Struct, frozen=True, kw_only=True):
    """An action asked for by something other than a pedal: the terminal, an OSC message."""

    action: Action
    who: str
    listener: int | None = None


class Wake(Struct, frozen=True, kw_only=True):
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
