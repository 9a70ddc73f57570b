"""What each song of each night says of a send: by how much it was wished to be other than the setlist has it now.

The nights were played over the text that the setlist had then. A wish took the level from what that text gave to where
it stood; the present text may have gone part of the way since, because `keep` wrote it or because somebody did. So what
is left of a wish is the wish less what the text has moved since, and never more than the wish, nor the other way: an
edit that went past it, or against it, is newer than the wish and stays.

A song says nothing of a send (None)

- where it was passed through in less than `STAY_NS`, or its levels had fallen back to the base;
- before the first word of the night: whoever nudges in the third song may have wanted it in the first;
- where the wish was younger than `SETTLED_NS` when the song was left: it may have been meant for the next one;
- where the send's ceiling held the level, or the journal's rows show another level than the night has, when it is
  played again: how much was wanted cannot be told.

A night without a word about a send says that its level was right in every song.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Final, NamedTuple

from stagectl.core.levels import Level, Off
from stagectl.core.plan import Plan
from stagectl.keep.told import Stood, Told, Visit
from stagectl.story.rows import stop_names

SECOND: Final = 1_000_000_000

STAY_NS: Final = 15 * SECOND
"""A shorter stay in a song is no hearing of it."""

SETTLED_NS: Final = 5 * SECOND
"""A wish has to stand so long in a song before that is left."""

SILENT: Final = -1_000_000
"""`off`, as a number below all levels and shifts, hundredths of a dB."""


class Night(NamedTuple):
    """A night. `name`: how it is told; `then`: the plan of its own text, the last one where there were several (then
    `exact` is no); `now`: the plan of the present text at its venue."""

    name: str
    venue: str | None
    told: Told
    then: Plan
    now: Plan
    exact: bool = True


class Heard(NamedTuple):
    """What a night says of one send. `number`: of the night; `songs`: for each song that it says something of, what is
    left of the wish at the song itself; `silent`: songs before the first word; `spoke`: whether there was one."""

    night: Night
    number: int
    spoke: bool
    songs: Mapping[int, int]
    silent: frozenset[int]


class Asking:
    """Asks nights about the sends of the present plan."""

    def __init__(self, nights: tuple[Night, ...]) -> None:
        self.nights = nights
        self._visits = [_heard_visits(night) for night in nights]
        self._sends = [_same_sends(night) for night in nights]
        self._stops = [_stops(night.now) for night in nights]

    def sends(self) -> list[int]:
        """The sends that any night has a word about, in their order."""
        known = (
            send
            for night, same in zip(self.nights, self._sends, strict=True)
            for send, then in same.items()
            if then in night.told.first
        )
        return sorted(set(known))

    def heard(self, send: int) -> list[Heard]:
        """What each night says of a send at each song itself. A night whose rig did not have it says nothing."""
        out = []
        for at, night in enumerate(self.nights):
            if send not in self._sends[at]:
                continue
            first = night.told.first.get(self._sends[at][send])
            visits = self._visits[at]
            values = {song: self.value(at, song, -1, send) for song in visits}
            silent = {song for song, (number, _) in visits.items() if first is not None and number < first}
            songs = {song: value for song, value in values.items() if value is not None}
            out.append(Heard(night, at, first is not None, songs, frozenset(silent)))
        return out

    def value(self, at: int, song: int, section: int, send: int) -> int | None:
        """What is left of the wish with which a night (by its number) left a song, at the song itself (section -1) or
        at one of its sections: hundredths of a dB that are missing where the present text has a level; the level itself
        where it has `off`; SILENT for `off`. 0, or SILENT where the text has `off`: nothing is left, or was wished."""
        night = self.nights[at]
        there = self._visits[at].get(song)
        then = self._sends[at].get(send)
        stop = self._stops[at].get((song, section))
        if there is None or then is None or stop is None:
            return None
        number, visit = there
        now = night.now.stops[stop].levels[send]
        if now is None:
            return None
        first = night.told.first.get(then)
        if first is not None and number < first:
            return None
        nothing = SILENT if isinstance(now, Off) else 0
        if then in visit.unlike:
            return None
        wish = visit.stood[visit.last].get(then)
        if wish is None or then in visit.passing:
            return nothing
        if visit.left - wish.since < SETTLED_NS or wish.held:
            return None
        here = self._here(night, visit, _name(night.now, stop), then, wish)
        return None if here is None else _left_of(wish, here, now)

    def is_off(self, at: int, song: int, section: int, send: int) -> bool:
        """Whether the present text has a send off there, in the room of a night."""
        night, stop = self.nights[at], self._stops[at][song, section]
        return isinstance(night.now.stops[stop].levels[send], Off)

    def is_silent(self, at: int, song: int, send: int) -> bool:
        """Whether a night (by its number) played a song before the first word on a send."""
        there, then = self._visits[at].get(song), self._sends[at].get(send)
        first = None if then is None else self.nights[at].told.first.get(then)
        return there is not None and first is not None and there[0] < first

    def _here(self, night: Night, visit: Visit, section: str | None, send: int, wish: Stood) -> Stood | None:
        """The wish with which a song was left, at one of its stops: what the text of the night gave there."""
        stood = visit.stood.get(section)
        if stood is not None and send in stood:
            return wish._replace(text=stood[send].text, level=stood[send].level)
        if section == visit.last:
            return wish
        stop = next(
            (at for at in range(len(night.then.stops)) if stop_names(night.then, at) == (visit.song, section)), 0
        )
        text = night.then.stops[stop].levels[send]
        if not stop or not night.exact or text is None:
            return None
        return wish._replace(text=text)


def _left_of(wish: Stood, here: Stood, now: Level) -> int | None:
    """What is left of a wish where the text gave `here.text` then, and gives `now`."""
    text = here.text
    if isinstance(now, Off):
        # What was off was lifted to a level; what was turned off since stays off.
        return here.level if isinstance(text, Off) and isinstance(here.level, int) else SILENT
    if isinstance(text, Off):
        return 0
    if isinstance(wish.level, Off):
        return SILENT
    given = now - text
    if wish.shift > 0:
        return max(0, wish.shift - given) if given >= 0 else 0
    return min(0, wish.shift - given) if given <= 0 else 0


def _name(plan: Plan, stop: int) -> str | None:
    return stop_names(plan, stop)[1]


def _stops(plan: Plan) -> dict[tuple[int, int], int]:
    """The stop of each song (section -1) and of each of its sections."""
    return {(stop.song, stop.section): at for at, stop in enumerate(plan.stops)}


def _heard_visits(night: Night) -> dict[int, tuple[int, Visit]]:
    """The last stay in each song of the present plan that is a hearing of it, with its number in the night."""
    names = {stop.name: stop.song for stop in night.now.stops if stop.section < 0 <= stop.song}
    out = {}
    for number, visit in enumerate(night.told.visits):
        is_heard = not visit.fell and visit.left - visit.begun >= STAY_NS and visit.last in visit.stood
        if visit.song in names and is_heard:
            out[names[visit.song]] = (number, visit)
    return out


def _same_sends(night: Night) -> dict[int, int]:
    """For each send of the present plan, the one of the same names in the plan of the night."""
    then = {name: at for at, name in enumerate(_send_names(night.then))}
    return {at: then[name] for at, name in enumerate(_send_names(night.now)) if name in then}


def _send_names(plan: Plan) -> Iterator[tuple[str, str]]:
    for listener in plan.listeners:
        for column in range(plan.width):
            yield listener, plan.column_name(column)
