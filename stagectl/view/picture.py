"""What the stage page shows, as data that JSON can hold: the board `stage`.

Made from the plan and the state after the bytes have left. Nothing is worked out here that the core knows: levels,
ceilings and what is left to them are asked of it (`view/bars.py`). Times on the board are of the clock on the wall, ms
since 1970; the page counts on from there by itself, so that a board is only made where something has happened.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final, NamedTuple, TypedDict

from stagectl.core.plan import MS
from stagectl.show.set_length import gaps_of, lengths_of, set_to_go
from stagectl.show.timetable import timetable_at
from stagectl.view.bars import Bars, MixEntry

if TYPE_CHECKING:
    from datetime import tzinfo

    from stagectl.core.plan import Plan
    from stagectl.core.state import State
    from stagectl.show.load import Show
    from stagectl.view.lamps import LampEntry
    from stagectl.view.last import Last, Notice

LONG_NS: Final = 1 << 62
"""Longer than any song, ns."""

TURN_MS: Final = 24 * 3_600_000
"""How far from now times on the page may be, ms."""


class SectionEntry(TypedDict):
    """A section of the present song. `at`: where it begins in the track, ms, None where it does not follow it."""

    name: str
    at: int | None


class NextEntry(TypedDict):
    """The stop that `next` goes to. `section`: None for a song as such."""

    song: str
    section: str | None
    new_song: bool


class PlaceEntry(TypedDict):
    """Where the night is. `number`: of the song, 0 before the first; `at`: the index of the section in `sections`, -1
    for the song as such. `base`: the levels have fallen back; `scene`: what is laid over it."""

    song: str
    number: int
    songs: int
    section: str | None
    sections: Sequence[SectionEntry]
    at: int
    next: NextEntry | None
    base: bool
    scene: str | None


class TrackEntry(TypedDict):
    """The track that plays. `at0`: when its position was 0; `stands`: the position at which it is paused, else None."""

    at0: int
    length: int | None
    runs: bool
    stands: int | None


class ClockEntry(TypedDict):
    """`song_length`: ms, None where nobody has said it; `unsaid`: how many songs from this one on are so. The set is
    over at max(now, `song_ends`) + `rest`, or, where the song's track is paused, at now + `song_left` + `rest`; None
    while it is not running. `curfew`: on the wall."""

    song_began: int | None
    song_length: int | None
    unsaid: int
    track: TrackEntry | None
    song_ends: int | None
    song_left: int | None
    rest: int | None
    curfew: int | None


class LastEntry(TypedDict):
    """What somebody wanted last, as in `Last`. `untold`: the desk is away, and has not been told what came of it."""

    who: str
    what: str
    control: str | None
    pedal: str | None
    text: str
    refused: str | None
    at: int
    untold: bool


class NoticeEntry(TypedDict):
    """What the night was reminded of last, or what was wrong."""

    kind: str
    text: str
    at: int


class TurnEntry(TypedDict):
    """The clocks are changed: `at`, ms since 1970; how far they are ahead of UTC `before` that, and `after` it,
    minutes."""

    at: int
    before: int
    after: int


class Board(TypedDict):
    """The whole board. `utc`: how far the clock on the wall is ahead of UTC at this moment, minutes, in the zone of the
    timetable, or else of this computer; `turn`: when clocks there are changed less than `TURN_MS` from now, for times
    on the other side of that; `desk`: whether the desk is here: if not, levels are what it is to be told;
    `lasts`: of the listeners whose last press is not `last`."""

    now: int
    utc: int
    turn: TurnEntry | None
    desk: bool
    show: str
    venue: str | None
    kind: str
    inputs: Sequence[str]
    place: PlaceEntry
    clock: ClockEntry
    last: LastEntry | None
    lasts: Mapping[str, LastEntry | None]
    notice: NoticeEntry | None
    listeners: list[MixEntry]
    lamps: Sequence[LampEntry]


class Moment(NamedTuple):
    """One moment by both clocks: monotonic, ns, and on the wall, ms since 1970."""

    ns: int
    wall_ms: int

    def wall(self, ns: int) -> int:
        """A monotonic time by the clock on the wall."""
        return self.wall_ms + (ns - self.ns) // MS


class SetClock(NamedTuple):
    """What the clock says of the set. `began`: when the present song began, monotonic ns; `to_go`: what is to go of the
    set, ns (`live/going.py`); None before the first song. `curfew`: on the wall, ms since 1970."""

    began: int | None = None
    to_go: int | None = None
    curfew: int | None = None


class Told(NamedTuple):
    """What people were told last, and how the connections are. `lasts`: of the listeners to whom it was another."""

    last: Last | None = None
    notice: Notice | None = None
    lamps: Sequence[LampEntry] = ()
    lasts: Sequence[tuple[str, Last | None]] = ()


class Picture:
    """Makes the board of a night. `kind`: `night` or `rehearsal`."""

    def __init__(self, show: Show, plan: Plan, venue: str | None, kind: str = "night") -> None:
        self._show, self.plan = show, plan
        self._head = (show.setlist.title, venue, kind)
        timetable = timetable_at(show.setlist, venue)
        self._zone = None if timetable is None else timetable.here
        self._bars = Bars(plan)
        self._sections = _sections(plan)
        self.know(show.lengths)

    def know(self, lengths: Mapping[int, int]) -> None:
        """So long are the tracks of songs by their stems, ns."""
        show = replace(self._show, lengths=lengths)
        self._lengths = lengths_of(show, self.plan)
        gaps = gaps_of(show, self.plan)
        self._rests = [set_to_go(self._lengths, gaps, song, LONG_NS) for song in range(len(self._lengths))]

    def utc(self, wall_ms: int) -> int:
        """How far the clock on the wall is ahead of UTC at a time, minutes."""
        return utc_offset(wall_ms, self._zone)

    def board(self, state: State, moment: Moment, clock: SetClock, told: Told) -> Board:
        """The board at a moment."""
        title, venue, kind = self._head
        return {
            "now": moment.wall_ms,
            "utc": self.utc(moment.wall_ms),
            "turn": turn_near(moment.wall_ms, self._zone),
            "desk": state.desk_here,
            "show": title,
            "venue": venue,
            "kind": kind,
            "inputs": self.plan.inputs,
            "place": self._place(state),
            "clock": self._clock(state, moment, clock),
            "last": _last(told.last, moment, state),
            "lasts": {name: _last(last, moment, state) for name, last in told.lasts},
            "notice": _notice(told.notice, moment),
            "listeners": self._bars.mixes(state),
            "lamps": told.lamps,
        }

    def _place(self, state: State) -> PlaceEntry:
        plan, place = self.plan, state.place
        stop = plan.stops[place.stop]
        sections = self._sections[stop.song]
        further = place.stop + 1 < len(plan.stops)
        return {
            "song": plan.song_name(place.stop),
            "number": stop.song + 1,
            "songs": len(self._lengths),
            "section": stop.name if stop.section >= 0 else None,
            "sections": sections,
            "at": stop.section,
            "next": _next(plan, place.stop) if further else None,
            "base": place.base,
            "scene": None if place.scene is None else plan.scenes[place.scene].name,
        }

    def _clock(self, state: State, moment: Moment, clock: SetClock) -> ClockEntry:
        stop, track = self.plan.stops[state.place.stop], state.track
        song = stop.song
        rest = self._rests[song] if clock.to_go is not None and song >= 0 else None
        length = self._lengths[song] if song >= 0 else None
        left = None if rest is None or clock.to_go is None else clock.to_go - rest
        stands = track is not None and track.paused is not None and track.song == song and stop.cue is not None
        return {
            "song_began": None if clock.began is None or song < 0 else moment.wall(clock.began),
            "song_length": None if length is None else length // MS,
            "unsaid": sum(one is None for one in self._lengths[max(song, 0) :]),
            "track": self._track(state, moment),
            "song_ends": None if left is None or stands else moment.wall(moment.ns + left),
            "song_left": left // MS if left is not None and stands else None,
            "rest": None if rest is None else rest // MS,
            "curfew": clock.curfew,
        }

    def _track(self, state: State, moment: Moment) -> TrackEntry | None:
        track, cue = state.track, self.plan.stops[state.place.stop].cue
        if track is None:
            return None
        here = cue is not None and track.song == self.plan.stops[state.place.stop].song
        length = self._lengths[track.song] if here else None
        return {
            "at0": moment.wall(track.zero),
            "length": None if length is None or cue is None else (length - cue.lead_ns) // MS,
            "runs": track.paused is None,
            "stands": None if track.paused is None else track.paused // MS,
        }


def utc_offset(wall_ms: int, zone: tzinfo | None) -> int:
    """How far a zone is ahead of UTC at a time, minutes. `zone`: that of this computer where it is None."""
    offset = datetime.fromtimestamp(wall_ms / 1000, UTC).astimezone(zone).utcoffset()
    return 0 if offset is None else round(offset.total_seconds() / 60)


def turn_near(wall_ms: int, zone: tzinfo | None) -> TurnEntry | None:
    """When a zone's clocks are changed less than `TURN_MS` from a time; None where they are not. `zone`: as in
    `utc_offset`."""
    before, now, after = (utc_offset(wall_ms + by, zone) for by in (-TURN_MS, 0, TURN_MS))
    if before == now == after:
        return None
    early, late = (wall_ms - TURN_MS, wall_ms) if before != now else (wall_ms, wall_ms + TURN_MS)
    before = utc_offset(early, zone)
    while late - early > 1:
        middle = (early + late) // 2
        if utc_offset(middle, zone) == before:
            early = middle
        else:
            late = middle
    return {"at": late, "before": before, "after": utc_offset(late, zone)}


def _last(last: Last | None, moment: Moment, state: State) -> LastEntry | None:
    if last is None:
        return None
    return {
        "who": last.who,
        "what": last.what,
        "control": last.control,
        "pedal": last.pedal,
        "text": last.text,
        "refused": last.refused,
        "at": moment.wall(last.at),
        "untold": not (last.told or state.desk_here),
    }


def _notice(notice: Notice | None, moment: Moment) -> NoticeEntry | None:
    return None if notice is None else {"kind": notice.kind, "text": notice.text, "at": moment.wall(notice.at)}


def _next(plan: Plan, stop: int) -> NextEntry:
    there = plan.stops[stop + 1]
    return {
        "song": plan.song_name(stop + 1),
        "section": there.name if there.section >= 0 else None,
        "new_song": there.song != plan.stops[stop].song,
    }


def _sections(plan: Plan) -> Mapping[int, list[SectionEntry]]:
    """The sections of each song, in their order."""
    found: dict[int, list[SectionEntry]] = {}
    for at, stop in enumerate(plan.stops):
        some = found.setdefault(stop.song, [])
        if stop.section >= 0:
            timed = () if stop.cue is None else stop.cue.sections
            position = next((one.position for one in timed if one.stop == at), None)
            some.append({"name": stop.name, "at": None if position is None else position // MS})
    return found
