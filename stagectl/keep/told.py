"""What a night tells of wishes: what stood as each song was left."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple, TypeVar

from stagectl.core.levels import Level

ValueT = TypeVar("ValueT")


def by_name(kept: Mapping[int, ValueT], there: Mapping[int, int]) -> dict[int, ValueT]:
    """What is kept by send, for another plan's sends of the same names. `there`: those for the sends of the plan
    before."""
    return {there[send]: value for send, value in kept.items() if send in there}


class Stood(NamedTuple):
    """A wish as a stop was left. `shift`: what was asked for, hundredths of a dB; `level`: what it came to, without
    hush, room and ceilings of the mix; `text`: what the show's text of the night gave there; `held`: whether how much
    was wanted cannot be told, because a ceiling held it; `since`: when it was last asked for, ns since the night began.
    """

    shift: int
    level: Level
    text: Level
    held: bool
    since: int


@dataclass(kw_only=True)
class Visit:
    """A stay in a song, by times in ns since the night began. `stood`: what stood when each of its stops was last left,
    by section (None: the song itself) and send; `last`: the stop that the song was left from; `fell`: whether the
    levels had fallen back to the base; `passing`: sends of which a wish stood that was taken back; `unlike`: sends that
    the journal's rows show at another level than the night has, when it is played again."""

    song: str
    begun: int
    left: int = 0
    last: str | None = None
    fell: bool = False
    stood: dict[str | None, dict[int, Stood]] = field(default_factory=dict)
    passing: set[int] = field(default_factory=set)
    unlike: set[int] = field(default_factory=set)

    def renamed(self, there: Mapping[int, int]) -> None:
        """From now on sends are those of another plan. `there`: for those of the plan before."""
        self.stood = {section: by_name(stood, there) for section, stood in self.stood.items()}
        self.passing = {there[send] for send in self.passing if send in there}
        self.unlike = {there[send] for send in self.unlike if send in there}


@dataclass(kw_only=True)
class Told:
    """What a night tells. `first`: in which visit each send was first asked for; `strangers`: songs
    that the show does not have any more; `strays`: the song from which on the journal's rows go another way than the
    night does, when it is played again."""

    visits: list[Visit] = field(default_factory=list)
    first: dict[int, int] = field(default_factory=dict)
    strangers: set[str] = field(default_factory=set)
    ended: bool = False
    strays: str | None = None
