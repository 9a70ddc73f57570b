"""What a night tells of wishes: what stands for a send, what stood as each song was left."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final, NamedTuple

from stagectl.core.levels import Level


class Entry(NamedTuple):
    """What stands for a send, hundredths of a dB: what was asked for (`shift`, or `lift` above the nudge floor where
    the show has it off), what it gives to make `room` for others, its treadle's `ride`. `since`: when it was last asked
    for, ns; None: never. `loose`: a bound held a level while a treadle moved it, or moved others of its mix, so how far
    the treadle stands no row says."""

    shift: int = 0
    lift: int | None = None
    room: int = 0
    ride: int = 0
    since: int | None = None
    loose: bool = False

    @property
    def asks(self) -> bool:
        """Whether it is a wish."""
        return self.shift != 0 or self.lift is not None

    def without_wish(self) -> Entry:
        """The same, with nothing asked for."""
        return self._replace(shift=0, lift=None, room=0)


NONE: Final = Entry()


class Stood(NamedTuple):
    """A wish as a stop was left. `shift`: what was asked for, hundredths of a dB; `level`: what it came to, without
    hush, room and ceilings of the mix; `text`: what the show's text of the night gave there; `held`: whether how much
    was wanted cannot be told, because the send's ceiling held it or how far a treadle stands is not known; `since`:
    when it was last asked for, ns since the night began."""

    shift: int
    level: Level
    text: Level
    held: bool
    since: int


@dataclass(kw_only=True)
class Visit:
    """A stay in a song, by times in ns since the night began. `stood`: what stood when each of its stops was last left,
    by section (None: the song itself) and send; `last`: the stop that the song was left from; `fell`: whether the
    levels had fallen back to the base; `passing`: sends of which a wish stood that was taken back."""

    song: str
    begun: int
    left: int = 0
    last: str | None = None
    fell: bool = False
    stood: dict[str | None, dict[int, Stood]] = field(default_factory=dict)
    passing: set[int] = field(default_factory=set)


@dataclass(kw_only=True)
class Told:
    """What a night tells. `first`: in which visit each send was first asked for; `strangers`: rows of listeners, inputs
    and songs that the plan does not have; `drifted`: sends with levels that the text does not explain."""

    visits: list[Visit] = field(default_factory=list)
    first: dict[int, int] = field(default_factory=dict)
    strangers: set[str] = field(default_factory=set)
    drifted: set[int] = field(default_factory=set)
    ended: bool = False
