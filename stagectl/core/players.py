"""Track players, and what a song tells its own."""

from __future__ import annotations

from enum import Enum
from typing import NamedTuple

from msgspec import Struct


class Then(Enum):
    """What happens at the end of a song's track by itself."""

    STAY = "stay"
    NEXT = "next song"
    START = "next song starts"


class Timed(NamedTuple):
    """A section that is recalled where the track gets to a position, ns since the track's beginning."""

    position: int
    stop: int


class CueCall(Struct, frozen=True, kw_only=True):
    """What a song tells its track player. `by_press`: wait for `start cue` instead of starting with the song.
    `lead_ns`: how long the count-in before the track's beginning is; `length_ns`: where the track ends, None where that
    is not known; `sections`: those that follow the track, in the order of their positions, none of them twice. `then`:
    what happens at the end; `pause_ns`: how long after that the next song's track starts."""

    player: int
    number: int = 0
    by_press: bool = False
    lead_ns: int = 0
    length_ns: int | None = None
    sections: tuple[Timed, ...] = ()
    then: Then = Then.STAY
    pause_ns: int = 0

    def ahead(self, done: int) -> Timed | None:
        """The section that comes next in the track behind a position, before its end."""
        ends = self.length_ns
        return next(
            (one for one in self.sections if one.position > done and (ends is None or one.position < ends)), None
        )


class Player(Struct, frozen=True):
    """A track player. `pauses`: it can be told to pause and to go on; `seeks`: to start elsewhere than at the
    beginning. `is_ours`: the built-in one, whose sound ends when it goes; another one at the end of a wire plays on.
    `says`: whether it says where it is, so that a song may begin, or jump, without being told to."""

    name: str
    pauses: bool = False
    seeks: bool = False
    is_ours: bool = False
    says: bool = False
