"""What a night report shows, as plain figures. Times are ns since the night began, levels hundredths of a dB."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final, NamedTuple, TypeAlias

from stagectl.core.levels import Level
from stagectl.ears.exposure import Criterion
from stagectl.ears.report import Figures

SendKey: TypeAlias = tuple[str, str]
"""A listener and an input of their mix."""

CEILINGS: Final = (
    "it is at its ceiling",
    "the mix is at its ceiling",
    "the rest of the mix has made all the room that it may",
    "it is at the top of the nudge range",
    "it is at the top of the desk's range",
)
"""The reasons of a refusal that mean: louder is not to be had."""


LEFT_BEYOND: Final = (
    "left above its ceiling",
    "left above what the ceiling of its mix allows",
    "left above what the hush allows",
    "left below the nudge floor",
)
"""Why a level that a hand at the desk has left counts as another one: it is beyond a bound."""


class Cell(NamedTuple):
    """A send in a song. `level`: the desk's, when the song was left last; None where the journal has none. `net`: by
    how much feet and hands moved it in this song; None where they moved it to or from `off`, so that no sum says it;
    `ups`, `downs`: how often; `hands`: how many of these were a hand at the desk; `held`: how often a foot was refused
    there because it was at a bound; `at_ceiling`: whether `level` is the highest that the desk may be told, or a hand
    left it above that, where the show was there to say it."""

    level: Level | None = None
    net: int | None = 0
    ups: int = 0
    downs: int = 0
    hands: int = 0
    held: int = 0
    at_ceiling: bool = False

    @property
    def moved(self) -> bool:
        """Whether feet or hands moved it."""
        return bool(self.ups or self.downs)


@dataclass(frozen=True, slots=True, kw_only=True)
class Song:
    """A song of the night. `began`: when the night first came to it; `stayed`: for how long in all; `visits`: how often
    the night came to it; `spans`: the times that it was the present one. `planned`: when it was to begin by the
    timetable, UTC; None where nothing says."""

    name: str
    began: int
    stayed: int
    visits: int
    spans: Sequence[tuple[int, int]]
    planned: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Mix:
    """A listener's sends. `cells`: by input, in the order of the mix, one a song of `Report.songs` (from 0; the one at
    0 is before the first song, where anything was told then). `silent`: inputs that were off all the time."""

    listener: str
    inputs: Mapping[str, Sequence[Cell]]
    silent: Sequence[str] = ()
    more_inputs: int = 0


class Count(NamedTuple):
    """Something that happened so many times: what, and first and last when."""

    what: tuple[str, ...]
    times: int
    first: int
    last: int


class Refusal(NamedTuple):
    """A reason, how often, and for which feet how often."""

    reason: str
    times: int
    feet: Sequence[tuple[str, int]]


class Slow(NamedTuple):
    """A press and how long its first byte took, µs."""

    us: int
    at: int
    who: str
    what: str
    song: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Delay:
    """From the press to the first byte that left for it, µs. `bars`: how many presses up to each bound of `BOUNDS`, the
    last: above all of them. Percentiles are interpolated between the two nearest presses."""

    count: int = 0
    p50: float = 0.0
    p99: float = 0.0
    longest: int = 0
    bars: Sequence[int] = ()
    slow: Sequence[Slow] = ()


class Gap(NamedTuple):
    """From when to when something was gone; None is: to the end."""

    gone: int
    back: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Connection:
    """Something that was connected. `first`: when it was first here, None for never. `gaps`: the first of them;
    `lost`: how often it went; `away`: for how long in all."""

    name: str
    first: int | None
    gaps: Sequence[Gap]
    lost: int
    away: int


class Said(NamedTuple):
    """A line of the night's story that somebody should see."""

    at: int
    kind: str
    text: str


class Mark(NamedTuple):
    """A time of the timetable, UTC."""

    name: str
    at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Times:
    """The night on the wall. `first`: when the first song began; `last`: the last that a foot, a track or the desk did.
    `ends`: whether the journal has an end. `steps`: when the clock on the wall was set, and by how much, µs."""

    end: int
    first: int | None
    last: int | None
    ends: bool
    steps: Sequence[tuple[int, int]] = ()
    marks: Sequence[Mark] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Exposure:
    """What the night came to at the ears."""

    criterion: Criterion
    figures: Sequence[Figures]
    notes: Sequence[str]
    at: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """All of it. `before`: whether `songs` begins with what was before the first song. `more_songs` and the other
    `more_…`: how many are not drawn. `passed`: songs that were only passed through. `counts`: rows by kind; among
    `presses` and `refusals` a sweep of a treadle is one. `read`: how many changes are levels that were read from the
    desk, and that nobody moved. `held`: wishes that a bound refused, by who, what, why and song; `left`: levels that
    hands at the desk left beyond a bound, by what, why and song. `lost`: how often connections went, those that are not
    drawn too. `notes`: what is to be known of how this was made up.
    """

    setlist: str
    venue: str | None
    program: str
    times: Times
    songs: Sequence[Song]
    more_songs: int = 0
    passed: Sequence[str] = ()
    before: bool = False
    mixes: Sequence[Mix] = ()
    more_listeners: int = 0
    held: Sequence[Count] = ()
    more_held: int = 0
    left: Sequence[Count] = ()
    more_left: int = 0
    refusals: Sequence[Refusal] = ()
    delay: Delay = field(default_factory=Delay)
    links: Sequence[Connection] = ()
    more_links: int = 0
    lost: int = 0
    said: Sequence[Said] = ()
    more_said: int = 0
    counts: Mapping[str, int] = field(default_factory=dict)
    presses: int = 0
    read: int = 0
    exposure: Exposure | None = None
    notes: Sequence[str] = ()

    @property
    def refused(self) -> int:
        """How many refusals there were."""
        return sum(one.times for one in self.refusals)
