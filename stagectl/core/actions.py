"""What a gesture can do, as the core acts on it: small frozen values, with names resolved to indices. How they are
written in a file is in the table of `action_table.py`.
"""

from __future__ import annotations

from enum import IntEnum
from typing import ClassVar, Final, TypeAlias

from msgspec import Struct


class Lasts(IntEnum):
    """How long a nudge lasts. The value is its place in the state's tuple of nudges. `HELD` is for what a ceiling held
    when somebody nudged (`room.py`): as long as the same levels lie there, and no wish of anybody's."""

    NIGHT = 0
    SONG = 1
    SECTION = 2
    HELD = 3


WISHED: Final = (Lasts.NIGHT, Lasts.SONG, Lasts.SECTION)
"""What somebody can ask for."""


NUDGE_STEP_MAX: Final = 1_200
"""The largest single nudge: 12 dB. More at once in somebody's ears is a mistake in the file."""


class Next(Struct, frozen=True, kw_only=True):
    """One stop on: the next section, or the next song."""

    word: ClassVar[str] = "next"


class Back(Struct, frozen=True, kw_only=True):
    """One stop back."""

    word: ClassVar[str] = "back"


class GoTo(Struct, frozen=True, kw_only=True):
    """To a stop by its index."""

    word: ClassVar[str] = "go to"
    stop: int


class Recall(Struct, frozen=True, kw_only=True):
    """Assert a scene whole. `scene`: index of a named scene laid over the present song; None: the present
    stop's own scene."""

    word: ClassVar[str] = "recall"
    scene: int | None = None


class Nudge(Struct, frozen=True, kw_only=True):
    """A listener's relative change. `column`: index of an input, of the whole mix or of a group, None: the
    listener's own input. `by`: hundredths of a dB, signed. `listener`: None is the one whose pedal it is.
    `room`: whether the rest of the mix makes room for it."""

    word: ClassVar[str] = "nudge"
    by: int
    column: int | None = None
    listener: int | None = None
    lasts: Lasts = Lasts.NIGHT
    room: bool = False


class NudgeRest(Struct, frozen=True, kw_only=True):
    """A listener's relative change of every input of their mix but those of `column`, which is as in `Nudge`."""

    word: ClassVar[str] = "nudge rest"
    by: int
    column: int | None = None
    listener: int | None = None
    lasts: Lasts = Lasts.NIGHT


class Ride(Struct, frozen=True, kw_only=True):
    """A continuous control sets a shift between `low` (at the bottom of its travel) and `high` (at the top),
    hundredths of a dB."""

    word: ClassVar[str] = "ride"
    low: int
    high: int
    column: int | None = None
    listener: int | None = None


class ClearNudges(Struct, frozen=True, kw_only=True):
    """Take back a listener's nudges, or everybody's."""

    word: ClassVar[str] = "clear nudges"
    everyone: bool = False


class Hush(Struct, frozen=True, kw_only=True):
    """Take a listener's mix, or everybody's, far down at once; where it is down already, gently back."""

    word: ClassVar[str] = "hush"
    everyone: bool = False


class FallBack(Struct, frozen=True, kw_only=True):
    """To the base scene, gently, with everybody's nudges cleared; the place in the setlist stays."""

    word: ClassVar[str] = "fall back"


class Undo(Struct, frozen=True, kw_only=True):
    """Take back the presser's last change that still stands."""

    word: ClassVar[str] = "undo"


class StartCue(Struct, frozen=True, kw_only=True):
    """Start the present song's cue. `here`: not from the beginning, but where the present section begins."""

    word: ClassVar[str] = "start cue"
    here: bool = False


class PauseCue(Struct, frozen=True, kw_only=True):
    """Pause the track that runs, or have it go on where it was paused."""

    word: ClassVar[str] = "pause cue"


class StopCue(Struct, frozen=True, kw_only=True):
    """Stop what the present song's track player plays."""

    word: ClassVar[str] = "stop cue"


class Tell(Struct, frozen=True, kw_only=True):
    """Send a device its message, by index into the plan's messages."""

    word: ClassVar[str] = "tell"
    message: int


class SwitchLayer(Struct, frozen=True, kw_only=True):
    """Lay a layer of the pedal's mapping over it, by its index, or take it off where it lies there. None: take off
    whatever lies there."""

    word: ClassVar[str] = "layer"
    layer: int | None = None


class Nothing(Struct, frozen=True, kw_only=True):
    """Takes a gesture away in a layer or a song. What is mapped to nothing counts as not mapped."""

    word: ClassVar[str] = "nothing"


Action: TypeAlias = (
    Next
    | Back
    | GoTo
    | Recall
    | FallBack
    | Nudge
    | NudgeRest
    | Ride
    | ClearNudges
    | Hush
    | Undo
    | StartCue
    | PauseCue
    | StopCue
    | Tell
    | SwitchLayer
    | Nothing
)
