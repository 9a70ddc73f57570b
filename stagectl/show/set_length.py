"""How long the set takes: the lengths of its songs, the gaps between them, and whether that ends before the curfew.

It is an estimate, and said in whole minutes, rounded up: a set that ends half a minute too late is too late. A song
whose length nobody has said counts as `UNSAID_NS`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, date, datetime, timedelta, tzinfo
from typing import TYPE_CHECKING, Final, NamedTuple

from stagectl.core.players import CueCall, Then
from stagectl.errors import Advice
from stagectl.show.clock_values import DAY_MIN, MINUTE_NS, SECOND_NS, clock_text, span_text
from stagectl.show.timetable import TimetableModel, apart, clock_of, on, timetables
from stagectl.show.timetable_fit import place_of_time

if TYPE_CHECKING:
    from stagectl.core.plan import Plan
    from stagectl.show.load import Show
    from stagectl.show.setlist import SetlistModel

UNSAID_NS: Final = 4 * MINUTE_NS
"""How long a song is taken to be whose length is not known, ns (common practice, no source)."""

ANY_DAY: Final = date(2001, 1, 1)
"""Stands for the date of a night that has none: in UTC, no clock is ever changed."""


class SetLength(NamedTuple):
    """How long a set takes, ns; how many songs it has, and of how many the length is `unsaid`; how much of it is in the
    `gaps` between them, ns."""

    ns: int
    songs: int
    unsaid: int
    gaps: int

    @property
    def minutes(self) -> int:
        """In whole minutes, rounded up."""
        return -(-self.ns // MINUTE_NS)

    @property
    def text(self) -> str:
        """That, in words: `about 52 min, with 4 min between songs`."""
        between = f", with {span_text(self.gaps)} between songs" if self.gaps else ""
        return f"about {_minutes(self.minutes)}{between}"

    @property
    def assumed(self) -> str:
        """What was assumed of the songs whose length is not known, in words; nothing where all are known."""
        if not self.unsaid:
            return ""
        some = f"{self.unsaid} of {self.songs} songs" if self.songs > 1 else "the one song"
        unsaid, seconds = divmod(UNSAID_NS // SECOND_NS, 60)
        says, counts = ("say", "count") if self.unsaid > 1 else ("says", "counts")
        return f"{some} {says} no length and {counts} as {unsaid}:{seconds:02d}"


def set_length(lengths: Sequence[int | None], gap: int | Sequence[int]) -> SetLength:
    """How long songs take that are played one after the other. `lengths`: of each, ns, None where it is not known;
    `gap`: between two of them, ns, or each gap by itself."""
    unsaid = sum(length is None for length in lengths)
    gaps = sum(_gaps(lengths, gap))
    return SetLength(_together(lengths) + gaps, len(lengths), unsaid, gaps)


def set_to_go(lengths: Sequence[int | None], gap: int | Sequence[int], song: int, since: int) -> int:
    """How much of a set is to go, ns. `song`: the present one, from 0, -1 before the first; `since`: how long it has
    been playing, ns. A song that takes longer than it should is as good as over."""
    if song < 0:
        return set_length(lengths, gap).ns
    here = UNSAID_NS if (length := lengths[song]) is None else length
    return max(0, here - since) + _together(lengths[song + 1 :]) + sum(_gaps(lengths, gap)[song:])


def _together(lengths: Sequence[int | None]) -> int:
    return sum(UNSAID_NS if length is None else length for length in lengths)


def _gaps(lengths: Sequence[int | None], gap: int | Sequence[int]) -> Sequence[int]:
    """The gap behind each song but the last."""
    return [gap] * (len(lengths) - 1) if isinstance(gap, int) else gap


def lengths_of(show: Show, plan: Plan) -> list[int | None]:
    """The length of each song, ns, None where it is not known: that of its track, with the count-in, by the
    plan or (where the stems were looked at after it was made) by the show; or what the setlist says. The one place that
    knows where a length comes from."""
    out: list[int | None] = []
    for at, (song, cue) in enumerate(zip(show.setlist.songs, _cues(show, plan), strict=True)):
        track = None if cue is None else show.lengths.get(at) if cue.length_ns is None else cue.length_ns
        out.append(song.length if cue is None or track is None else cue.lead_ns + track)
    return out


def gaps_of(show: Show, plan: Plan) -> list[int]:
    """The gap behind each song but the last, ns: what its track leaves before it starts the next one by itself, or that
    of the setlist."""
    cues = _cues(show, plan)
    return [cue.pause_ns if cue is not None and cue.then is Then.START else show.setlist.gap for cue in cues[:-1]]


def _cues(show: Show, plan: Plan) -> list[CueCall | None]:
    stops = (plan.first_of(at) for at in range(len(show.setlist.songs)))
    return [None if stop is None else plan.stops[stop].cue for stop in stops]


def length_of(show: Show, plan: Plan) -> SetLength:
    """How long the set of a show takes."""
    return set_length(lengths_of(show, plan), gaps_of(show, plan))


class Ending(NamedTuple):
    """When a set is over by a timetable, minutes since midnight: it `begins`, `ends` after its estimated length, and
    has to end by the `curfew`, `spare` minutes after that (below 0: before it). None where a time is not given."""

    begins: int | None
    ends: int | None
    curfew: int | None
    spare: int | None


def ending(model: TimetableModel, minutes: int) -> Ending:
    """When a set of so many minutes is over. The hour that a night gains or loses counts where its date and its zone
    are given."""
    dated = model.date_ is not None and model.here is not None
    day: date = (model.date_ if dated else None) or ANY_DAY
    zone: tzinfo = (model.here if dated else None) or UTC
    night = {entry.name: entry.at for entry in on(model, day, zone) if not entry.own}
    begins, curfew = night.get("set"), night.get("curfew")
    ends = None if begins is None else (begins.astimezone(UTC) + timedelta(minutes=minutes)).astimezone(zone)
    spare = None if ends is None or curfew is None else apart(ends, curfew) // timedelta(minutes=1)
    return Ending(_clock(begins), _clock(ends), _clock(curfew), spare)


def _clock(at: datetime | None) -> int | None:
    return None if at is None else clock_of(at)


def length_text(length: SetLength, model: TimetableModel | None) -> str:
    """The set's length in a sentence: `the set takes about 52 min; from 21:00 it ends at 21:52, 53 min before the
    curfew`."""
    says = f"the set takes {length.text}"
    end = ending(model, length.minutes) if model is not None else Ending(None, None, None, None)
    if end.begins is not None and end.ends is not None:
        says += f"; from {clock_text(end.begins)} it ends at {clock_text(end.ends)}"
        if end.spare is not None:
            says += f", {_spare(end.spare)} the curfew"
    elif end.curfew is not None:
        latest = (end.curfew - length.minutes) % DAY_MIN
        says += f"; to end before the curfew at {clock_text(end.curfew)} it has to begin by {clock_text(latest)}"
    return f"{says}; {length.assumed}" if length.unsaid else says


def set_length_advice(show: Show, plan: Plan) -> Iterator[Advice]:
    """A warning for each timetable by which the set runs past the curfew."""
    length, setlist = length_of(show, plan), show.setlist
    for venue, model in timetables(setlist):
        end = ending(model, length.minutes)
        if end.spare is None or end.spare >= 0 or end.begins is None or end.ends is None:
            continue
        assumed = f"; {length.assumed}" if length.unsaid else ""
        says = (
            f"the set takes {length.text}: from {clock_text(end.begins)} it ends at "
            f"{clock_text(end.ends)}, {_spare(end.spare)} the curfew{_at(setlist, venue)}{assumed}"
        )
        yield show.sources["setlist"].advice(says, *place_of_time(setlist, venue, "curfew"))


def _at(setlist: SetlistModel, venue: str | None) -> str:
    """Where a venue's timetable counts, and that of no venue; nothing where that is everywhere."""
    if not setlist.timetables:
        return ""
    some = [venue] if venue is not None else [name for name in setlist.venues if name not in setlist.timetables]
    return f" ({', '.join(['without a venue'] * (venue is None) + [f'at `{name}`' for name in some])})"


def _minutes(minutes: int) -> str:
    """`52 min`, `1 h 40 min`."""
    return span_text(minutes * MINUTE_NS) if minutes else "no time"


def _spare(spare: int) -> str:
    """`53 min before`, `7 min past`, `just at`."""
    return f"{_minutes(abs(spare))} {'before' if spare > 0 else 'past'}" if spare else "just at"
