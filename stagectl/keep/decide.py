"""Where a wish belongs: in the base, in a venue, in a song, or nowhere. What is steady, `steady` says.

Each night's word on a send is what was steady in the songs that it says something of. A night counts for base and
venue if it has a word on at least `SONGS_MIN` songs that these reach, and on no fewer than went by before the first
word: what was first asked for late in a set says something of these last songs only. The same holds for silence that
repeats: songs that nobody had a word on before the first one, on `SILENT_NIGHTS` nights or more, count as songs that
were right as they were.

A room's word is what was steady on its nights. What is steady in every room goes into the base: where the rooms agree,
the median of all nights; where they go the same way by different amounts, the least of these, and each venue gets what
it has more. A room that is neither steady nor (by `SHARE` of its nights) without the wish follows the other rooms, if
all nights together are steady. What is steady in some rooms only belongs to these venues. With nights from one room
alone, base and venue cannot be told apart, and the base it is.

What a song has beyond that, on the nights that played it, is the song's, where it was steady: beyond the word of the
same night, so that a night which wanted more or less than others everywhere says nothing of a song. Whoever had no word
yet missed nothing in it. A single night in which it went both ways from song to song says nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

from stagectl.core.levels import Off
from stagectl.core.plan import SetTo
from stagectl.keep.evidence import SILENT, Asking, Heard
from stagectl.keep.steady import LEAST, SHARE, agrees, less, rounded, steady, way
from stagectl.show.layers import SaidLayers
from stagectl.show.load import Show

SONGS_MIN: Final = 3
"""Songs that a night must have a word on to count for base and venue; all of them, where a set has fewer."""

SILENT_NIGHTS: Final = 3
"""Nights on which a song stayed without a word, from which on that is a word."""


class Grounds(NamedTuple):
    """What a decision rests on: the median and the range of the values that agree, hundredths of a dB; how many nights
    of how many agree, by their names; how many songs they have a word on."""

    middle: int
    low: int
    high: int
    nights: tuple[str, ...]
    of_nights: int
    songs: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """A wish that belongs somewhere. `layer`: `base`, `venue` or `song`; `section`: -1, or the section of the song that
    says a level of its own. `by`: hundredths of a dB, SILENT for `off`; `sets`: it is a level where the text has `off`.
    """

    layer: str
    send: int
    by: int
    grounds: Grounds
    venue: str | None = None
    song: int = -1
    section: int = -1
    sets: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Passed:
    """A send that somebody had a word on and that nothing is kept of, and why."""

    send: int
    why: str


class Reach:
    """How far what a layer says of a send reaches: until a layer above sets a level of its own."""

    def __init__(self, show: Show) -> None:
        self._show = show
        self._none = SaidLayers(show.setlist, show.rig, None)
        self._song: dict[tuple[int, int], frozenset[int]] = {}
        self._venue: dict[str | None, frozenset[int]] = {}

    def venue_sets(self, venue: str | None, send: int) -> bool:
        """Whether a venue sets the level of a send."""
        if venue not in self._venue:
            layers = SaidLayers(self._show.setlist, self._show.rig, venue)
            self._venue[venue] = _set_by(layers.venue().changes)
        return send in self._venue[venue]

    def song_sets(self, song: int, section: int, send: int) -> bool:
        """Whether a song (section -1), or one of its sections, sets the level of a send itself."""
        key = (song, section)
        if key not in self._song:
            layer = self._none.song(song) if section < 0 else self._none.section(song, section)
            self._song[key] = _set_by(layer.changes)
        return send in self._song[key]


def _set_by(changes: Iterable[tuple[int, object]]) -> frozenset[int]:
    return frozenset(send for send, change in changes if isinstance(change, SetTo))


class Word(NamedTuple):
    """A night's word on a send for base and venue: its median, or what asks for nothing."""

    heard: Heard
    value: int
    songs: int


def decide(show: Show, asking: Asking) -> tuple[list[Kept], list[Passed]]:
    """What is kept of the wishes of some nights, and what is not."""
    reach = Reach(show)
    kept: list[Kept] = []
    passed: list[Passed] = []
    for send in asking.sends():
        found = list(_of_send(show, asking, reach, send))
        kept += found
        if not found:
            passed.append(Passed(send=send, why=_why(asking, send)))
    return sorted(kept, key=lambda one: ("base", "venue", "song").index(one.layer)), passed


def _of_send(show: Show, asking: Asking, reach: Reach, send: int) -> Iterator[Kept]:
    heard = asking.heard(send)
    ground = list(_ground(show, reach, send, heard))
    yield from ground
    base = next((one for one in ground if one.layer == "base"), None)
    venues = {one.venue: one for one in ground if one.layer == "venue"}
    under_it = {one.number: _under(reach, send, one, base, venues) for one in heard}
    for song, model in enumerate(show.setlist.songs):
        for section in range(-1, len(model.sections)):
            if section >= 0 and not reach.song_sets(song, section, send):
                continue
            under = {} if reach.song_sets(song, section, send) else under_it
            yield from _song(asking, send, song, section, under)


# -- base and venues --------------------------------------------------------------------------------------


def _ground(show: Show, reach: Reach, send: int, heard: Sequence[Heard]) -> Iterator[Kept]:
    """What belongs to the base and to venues."""
    rooms: dict[str | None, list[Word]] = {}
    for one in heard:
        word = _word(reach, send, one)
        if word is not None:
            rooms.setdefault(one.night.venue, []).append(word)
    found = {venue: steady([word.value for word in words], _nothing(words, send)) for venue, words in rooms.items()}
    shared = [venue for venue in found if venue is None or not reach.venue_sets(venue, send)]
    words = [word for venue in shared for word in rooms[venue]]
    nothing = _nothing(words, send) if words else 0
    base = _common([rooms[venue] for venue in shared], nothing)
    if base != nothing and not _in_songs(reach, send, heard, base, nothing):
        base = nothing
    if base != nothing:
        grounds = _grounds(words, base, nothing)
        base = rounded(base)
        yield Kept(layer="base", send=send, by=base, grounds=grounds, sets=nothing == SILENT)
    for venue, value in found.items():
        if venue is None:
            continue
        nothing = _nothing(rooms[venue], send)
        more = less(value, base, nothing) if venue in shared else value
        if way(more, nothing) and (SILENT in (more, nothing) or abs(more) >= LEAST):
            if venue in shared and base != nothing and agrees(value, base, nothing):
                continue
            grounds = _grounds(rooms[venue], value, nothing)
            sets = nothing == SILENT
            yield Kept(layer="venue", venue=venue, send=send, by=rounded(more), grounds=grounds, sets=sets)


def _nothing(words: Sequence[Word], send: int) -> int:
    """What asks for nothing in a room: SILENT where the send is off there."""
    return SILENT if isinstance(words[0].heard.night.now.stops[0].levels[send], Off) else 0


def _word(reach: Reach, send: int, heard: Heard) -> Word | None:
    """A night's word, None where it has too little to say."""
    ground = heard.night.now.stops[0].levels[send]
    if ground is None:
        return None
    nothing = SILENT if isinstance(ground, Off) else 0
    values = [value for song, value in heard.songs.items() if not reach.song_sets(song, -1, send)]
    if not heard.spoke:
        return Word(heard, nothing, len(values))
    silent = [song for song in heard.silent if not reach.song_sets(song, -1, send)]
    total = len({stop.song for stop in heard.night.now.stops if stop.song >= 0})
    if len(values) < min(SONGS_MIN, total) or len(values) < len(silent):
        return None
    return Word(heard, steady(values, nothing), len(values))


def _common(rooms: Sequence[Sequence[Word]], nothing: int) -> int:
    """What all rooms have in common."""
    every = [[word.value for word in words] for words in rooms]
    without = [values.count(nothing) >= SHARE * len(values) for values in every]
    if not every or any(without):
        return nothing
    together = steady([value for values in every for value in values], nothing)
    known = [value for value in (steady(values, nothing) for values in every) if value != nothing]
    if together != nothing and all(agrees(value, together, nothing) for value in known):
        return together
    is_one_way = len(known) == len(every) and len({way(value, nothing) for value in known}) == 1
    return min(known, key=abs) if is_one_way and SILENT not in (*known, nothing) else nothing


def _in_songs(reach: Reach, send: int, heard: Sequence[Heard], base: int, nothing: int) -> bool:
    """Whether `SHARE` of the songs bear a wish for the base out, those counted that always stay without a word."""
    spoke = [one for one in heard if one.spoke]
    songs: dict[int, list[int]] = {}
    silent: dict[int, int] = {}
    for one in spoke:
        for song, value in one.songs.items():
            if not reach.song_sets(song, -1, send):
                songs.setdefault(song, []).append(value)
        for song in one.silent:
            silent[song] = silent.get(song, 0) + 1
    never = [song for song, times in silent.items() if times >= SILENT_NIGHTS and song not in songs]
    some = sum(agrees(steady(values, nothing), base, nothing) for values in songs.values())
    return some >= SHARE * (len(songs) + len(never))


# -- songs ------------------------------------------------------------------------------------------------


def _under(
    reach: Reach, send: int, heard: Heard, base: Kept | None, venues: Mapping[str | None, Kept]
) -> tuple[int, ...]:
    """What lay under the songs on a night, where something was kept for base or venue: the night's own word, which may
    be another than what was kept; where that was not steady, what was kept."""
    venue = heard.night.venue
    has_base = base is not None and not reach.venue_sets(venue, send)
    kept = tuple(one.by for one in (base if has_base else None, venues.get(venue)) if one is not None)
    word = _word(reach, send, heard)
    if not kept or word is None:
        return kept
    nothing = SILENT if isinstance(heard.night.now.stops[0].levels[send], Off) else 0
    return kept if heard.spoke and word.value == nothing else (word.value,)


def _song(asking: Asking, send: int, song: int, section: int, under: Mapping[int, tuple[int, ...]]) -> Iterator[Kept]:
    """What belongs to a song, or to a section that sets a level of its own. `under`: by night, what lay under it."""
    found: list[tuple[str, int]] = []
    nothing = 0
    for at, night in enumerate(asking.nights):
        value = asking.value(at, song, section, send)
        is_silent = asking.is_silent(at, song, send)
        here = SILENT if asking.is_off(at, song, section, send) else 0
        if (value is None and not is_silent) or (found and here != nothing):
            continue
        nothing = here
        if is_silent or value is None:
            value = nothing
        else:
            for by in under.get(at, ()):
                value = less(value, by, nothing)
        found.append((night.name, value))
    values = [value for _, value in found]
    middle = steady(values, nothing)
    if middle == nothing:
        return
    if len(found) == 1 and _swings(asking, send, found[0][0]):
        return
    some = [(name, value) for name, value in found if agrees(value, middle, nothing)]
    grounds = Grounds(
        middle,
        min(value for _, value in some),
        max(value for _, value in some),
        tuple(name for name, _ in some),
        len(found),
        1,
    )
    yield Kept(
        layer="song",
        song=song,
        section=section,
        send=send,
        by=rounded(middle),
        grounds=grounds,
        sets=nothing == SILENT,
    )


def _swings(asking: Asking, send: int, name: str) -> bool:
    """Whether a wish went both ways from song to song on a night."""
    for heard in asking.heard(send):
        if heard.night.name == name:
            shifts = [value for value in heard.songs.values() if value != SILENT]
            return max(shifts, default=0) >= LEAST and min(shifts, default=0) <= -LEAST
    return False


def _grounds(words: Sequence[Word], middle: int, nothing: int) -> Grounds:
    some = [word for word in words if agrees(word.value, middle, nothing)]
    some.sort(key=lambda word: word.heard.number)
    values = [word.value for word in some] or [middle]
    names = tuple(word.heard.night.name for word in some)
    return Grounds(middle, min(values), max(values), names, len(words), sum(word.songs for word in some))


def _why(asking: Asking, send: int) -> str:
    """Why nothing is kept of the words on a send."""
    heard = asking.heard(send)
    spoke = [one for one in heard if one.spoke]
    values = [value for one in spoke for value in one.songs.values() if value not in (0, SILENT)]
    if not values:
        return "taken back, or left too soon, or in the setlist already"
    if max(values) > 0 > min(values):
        return "it went both ways"
    return f"on {len(spoke)} of {len(heard)} nights, and not steady"
