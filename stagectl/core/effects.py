"""What goes out of the core: records for the journal and orders for the world, small frozen values.

`at` is the nominal time of an effect, ns; `press` numbers the press (or other wish) that caused it, so
that the journal, the rehearsal and the desk's bytes can be told together.
"""

from __future__ import annotations

from enum import Enum
from typing import NamedTuple, TypeAlias

from msgspec import Struct

from stagectl.core.levels import Level


class Reason(Enum):
    """Why an event was refused; the value is the sentence that people read."""

    UNKNOWN = "no control of this pedal sends that"
    NOT_MAPPED = "nothing is mapped to it"
    ALREADY_DOWN = "it was down already"
    ALREADY_UP = "it was up already"
    OUT_OF_RANGE = "the value is outside what this control can send"
    TOO_SOON = "too soon after the last next"
    LAST = "the set has no further stop"
    FIRST = "this is the start of the set"
    ALREADY_THERE = "already there"
    AT_CEILING = "it is at its ceiling"
    AT_MIX_CEILING = "the mix is at its ceiling"
    NO_ROOM = "the rest of the mix has made all the room that it may"
    AT_TOP = "it is at the top of the nudge range"
    AT_DESK_TOP = "it is at the top of the desk's range"
    AT_BOTTOM = "it is off already, or as low as it goes"
    NOT_RECALLED = "no scene was recalled yet"
    NOT_DRIVEN = "the show does not drive this level"
    BOUNCE = "the contact bounced"
    PEDAL_WENT = "its pedal went before it was clear what it was"
    JITTER = "the treadle only trembled"
    NOT_PICKED_UP = "the treadle has not met the level yet"
    NO_LISTENER = "this pedal belongs to no listener"
    NO_OWN_INPUT = "this listener has no own input"
    NOTHING_TO_UNDO = "there is nothing to undo"
    LONG_AGO = "that change of song or section was too long ago; back goes there"
    NOTHING_TO_CLEAR = "there are no nudges to clear"
    NO_CUE = "this song has no cue"
    NOT_PLAYING = "no track is running"
    CANNOT_PAUSE = "this track player cannot pause"
    CANNOT_SEEK = "this track player only starts at the beginning"
    NO_TIME = "this section has no time in the track"
    PLAYER_AWAY = "the track player is not here"
    JUST_STARTED = "the track has only just started"
    JUST_BROUGHT = "the track has only just brought this section"
    DESK_AWAY = "the desk is not here"
    UNANSWERED = "the desk does not answer"
    NO_LAYER = "no layer lies over this pedal's mapping"
    NO_PEDAL = "only the control of a pedal can do that"


class Left(Enum):
    """Why what a hand at the desk has put counts as another level; the value is what people read."""

    CEILING = "left above its ceiling"
    MIX_CEILING = "left above what the ceiling of its mix allows"
    HUSH = "left above what the hush allows"
    FLOOR = "left below the nudge floor"
    MEANWHILE = "put there while the desk was away"


class Move(NamedTuple):
    """One send's change of target: `before` is what the desk had, where it was no target yet, and None where that was
    not known."""

    send: int
    before: Level | None
    after: Level


class Pressed(Struct, frozen=True):
    """A gesture was understood, or a wish came from elsewhere (then `pedal` and `control` are None)."""

    at: int
    press: int
    who: str
    what: str
    pedal: int | None = None
    control: int | None = None
    gesture: str | None = None


class Arrived(Struct, frozen=True):
    """The night is at another place: a stop, and the scene laid over it, if any; `base`: the levels fell back to those
    of the base scene."""

    at: int
    press: int
    stop: int
    scene: int | None = None
    base: bool = False


class Changed(Struct, frozen=True):
    """Targets moved. `cause`: the action's word. `fade_ns`: over how long the desk is taken there. Of a hand at the
    desk, where it counts as another level than the one it has put: `counts`, in the desk's steps, and `why`."""

    at: int
    press: int
    who: str
    cause: str
    moves: tuple[Move, ...]
    fade_ns: int = 0
    counts: Level | None = None
    why: Left | None = None


class Refused(Struct, frozen=True):
    """An event changed nothing, and why."""

    at: int
    press: int
    who: str
    reason: Reason
    what: str = ""
    pedal: int | None = None
    control: int | None = None


class Connected(Struct, frozen=True):
    """A pedal or a track player (by index), or the desk (neither), came or went."""

    at: int
    pedal: int | None
    player: int | None
    here: bool


class Track(Enum):
    """What a track does by itself. `HELD`: it got to a place that something happens at, but the levels have fallen back
    to the base; `MISSED`: it was to start, and its player was not here or could not; `WAITS`: the night came to its
    song by itself, and it is not started; `LOST`: its player is gone, and its sound with it; `UNKNOWN`: the
    program was away for so long that nobody knows what its player does by now."""

    REACHED = "reached"
    ENDED = "ended"
    RUNS = "runs"
    STANDS = "stands"
    JUMPED = "jumped"
    HELD = "held"
    MISSED = "missed"
    WAITS = "waits"
    LOST = "lost"
    UNKNOWN = "not known"


class Tracked(Struct, frozen=True):
    """What a track does by itself: it gets to a place that something happens at, or to its end; or its player says that
    it runs, stands, or is elsewhere. `position`: ns since the track's beginning; `due`: when it was there, ns."""

    at: int
    press: int
    player: int
    what: Track
    position: int
    due: int


class Layered(Struct, frozen=True):
    """A layer was laid over a pedal's mapping, or taken off it (None)."""

    at: int
    press: int
    pedal: int
    layer: int | None


class Ask(Struct, frozen=True):
    """Tell the desk these levels, in this order. Every level is a step of the desk's grid, at or below the
    send's ceiling."""

    at: int
    press: int
    levels: tuple[tuple[int, Level], ...]


class Question(Struct, frozen=True):
    """Ask the desk what levels these sends have; all of them where none is named."""

    at: int
    sends: tuple[int, ...]


class RecallStored(Struct, frozen=True):
    """Tell the desk to recall a scene that it stores itself."""

    at: int
    press: int
    number: int


class Tells(Enum):
    """What a track player is told."""

    START = "start"
    STOP = "stop"
    PAUSE = "pause"
    GO_ON = "go on"


class Cue(Struct, frozen=True):
    """Tell a track player what to do with a song's number. `position`: where the track is then, ns since its beginning;
    `begins`: it starts there as it always does, with the count-in if there is one."""

    at: int
    press: int
    player: int
    number: int
    song: int
    tells: Tells
    position: int = 0
    begins: bool = False

    @property
    def starts(self) -> bool:
        """Whether the track runs from here on."""
        return self.tells in (Tells.START, Tells.GO_ON)


class Told(Struct, frozen=True):
    """Send a device its message."""

    at: int
    press: int
    message: int


class Lit(Struct, frozen=True):
    """Tell a pedal what one of its lamps (by index) shows: a song's number, or 1 and 0 for on and off. It shows a
    state, which may be the outcome of several presses, so it has no press of its own."""

    at: int
    pedal: int
    lamp: int
    value: int


Record: TypeAlias = Pressed | Arrived | Changed | Refused | Connected | Layered | Tracked
Order: TypeAlias = Ask | Question | RecallStored | Cue | Told | Lit
Effect: TypeAlias = Record | Order
