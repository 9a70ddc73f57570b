"""The levels of each listener's sends by song, from the changes of a journal: one pass over all of them, and one over
those that feet and hands made."""

from __future__ import annotations

import sqlite3
from bisect import bisect_right
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, Final

from stagectl.core.answers import READ
from stagectl.core.levels import OFF, Level
from stagectl.ears.night import BY_DESK
from stagectl.journal.causes import cause
from stagectl.report.figures import Cell, Mix, SendKey
from stagectl.report.hearing import BETWEEN, Event, Hearing, Raw
from stagectl.report.visits import Visits

SENDS_KEPT: Final = 20_000
"""Sends that are followed: 128 inputs of 128 mixes, and room to spare."""

NUDGES_KEPT: Final = 100_000
"""Sends of songs that feet moved."""

LISTENERS_MAX: Final = 24
INPUTS_MAX: Final = 64
"""Sends that are drawn of one listener; those that were moved most come first."""

BY_PLACE: Final = ("next", "back", "go to", "recall", "fall back", "track", "read", "hush")
"""Causes that are no wish for one send: the night went on, the mix was hushed, or the desk was read."""

_CHANGES: Final = f"""
SELECT id, at, listener || char({ord(BETWEEN)}) || input,
    CASE WHEN what IN ({", ".join(f"'{cause}'" for cause in BY_DESK)}) THEN level_after ELSE level_sent END
FROM story WHERE kind = 'change' ORDER BY id
"""
"""One text for the names of a send, since fetching them is what takes the longest; names hold no unit separator."""

_NUDGES: Final = f"""
SELECT id, press, what, listener, input, level_before, level_after FROM story
WHERE kind = 'change' AND level_before IS NOT NULL AND what NOT IN ({", ".join(f"'{cause}'" for cause in BY_PLACE)})
ORDER BY id
"""

_SEEN: Final = f"""
SELECT min(id) FILTER (WHERE what = 'recall'), count(*) FILTER (WHERE what = '{READ}') FROM story WHERE kind = 'change'
"""

_LOW: Final = -(10**9)

_NEVER: Final = Event(2**63, 0)


class Levels:
    """Follows what the desk was told. `keep`: the indices of the songs that are drawn."""

    def __init__(self, visits: Visits, keep: Iterable[int]) -> None:
        self.count = 0
        self.only_read = 0
        """Changes that say what was read from the desk."""
        self.end = 0
        self.damage: str | None = None
        self.more_sends = 0
        self.ends_of: dict[int, dict[SendKey, Raw]] = {}
        """For each song drawn, the levels at the end of its last visit."""
        self._visits = visits
        self._sends: dict[str, int] = {}
        """The number of each send, in the order in which they came: that of the show where it has the send."""
        self._strange: dict[str, int] = {}
        """Sends that the show does not have."""
        self._now: list[Raw] = []
        """The level of each send, by its number."""
        self._nudges: dict[tuple[int, SendKey], list[int]] = {}
        wanted = set(keep)
        self._last = {song: at for at, song in enumerate(visits.songs) if song in wanted}

    def read(
        self, connection: sqlite3.Connection, hearing: Hearing | None = None, events: Sequence[Event] = ()
    ) -> None:
        """Read all changes; `damage` says where they could not be read on. `hearing` hears them all, and the events."""
        try:
            first_recall, self.only_read = connection.execute(_SEEN).fetchone()
            self._follow(connection, hearing, [*events, _NEVER], first_recall)
            self._read_nudges(connection)
        except sqlite3.Error as error:
            self.damage = cause(error)

    def _follow(
        self,
        connection: sqlite3.Connection,
        hearing: Hearing | None,
        events: Sequence[Event],
        first_recall: int | None,
    ) -> None:
        ids, sends, now = self._visits.ids, self._sends, self._now
        course = _Course(ids, self._leave, hearing, events, first_recall)
        told: dict[int, int | str] = {} if hearing is None else hearing.told
        if hearing is not None:
            now += [None] * len(hearing.sends)
        count = at = edge = 0
        moment = 2**63 if hearing is None else -1
        try:
            for number, at, names, raw in connection.execute(_CHANGES):
                count += 1
                if number >= edge or at > moment:
                    edge = course.come_to(number, at)
                    moment = max(at, moment)
                send = sends.get(names)
                if send is None:
                    send = self._come(names, raw, hearing)
                    if send is None:
                        continue
                if raw is None:
                    # A level that is not known leaves the one that was, and takes back one of the same moment.
                    told.pop(send, None)
                else:
                    now[send] = told[send] = raw
        finally:
            self.count, self.end = count, at
            course.end()

    def _come(self, names: str | None, raw: Raw, hearing: Hearing | None) -> int | None:
        """A send that is not known yet. Returns its number where it is followed, and heard; else it is counted."""
        if names is None or (names not in self._strange and len(self._sends) + len(self._strange) >= SENDS_KEPT):
            self.more_sends += 1
            return None
        if hearing is None:
            self._now.append(None)
            return self._sends.setdefault(names, len(self._now) - 1)
        if names in hearing.sends:
            return self._sends.setdefault(names, hearing.sends[names])
        hearing.strangers[names] += 1
        if raw is not None:
            send = self._strange.setdefault(names, len(self._now))
            self._now[send : send + 1] = [raw]
        return None

    def _levels(self) -> dict[str, Raw]:
        """The level of each send that has come."""
        now = self._now
        return {
            names: now[send] for names, send in (*self._sends.items(), *self._strange.items()) if now[send] is not None
        }

    def _read_nudges(self, connection: sqlite3.Connection) -> None:
        ids, songs, undone = self._visits.ids, self._visits.songs, self._visits.undone
        for number, press, what, listener, input_, before, after in connection.execute(_NUDGES):
            if press not in undone:
                song = songs[bisect_right(ids, number) - 1]
                self._nudge((song, (listener, input_)), before, after, what)

    def _leave(self, visit: int) -> None:
        song = self._visits.songs[visit]
        if self._last.get(song) == visit:
            self.ends_of[song] = {_send(names): raw for names, raw in self._levels().items()}

    def _nudge(self, where: tuple[int, SendKey], before: Any, after: Any, what: str) -> None:
        one = self._nudges.get(where)
        if one is None:
            if len(self._nudges) >= NUDGES_KEPT:
                return
            one = self._nudges[where] = [0, 0, 0, 0]
        low, high = (_LOW if isinstance(level, str) else level for level in (before, after))
        if low > _LOW and high > _LOW:
            one[0] += high - low
        one[1] += high > low
        one[2] += high < low
        one[3] += what == "hand"

    def mixes(
        self,
        songs: Sequence[int],
        held: Mapping[tuple[int, str], int],
        tops: Mapping[SendKey, Level],
        order: Sequence[str] = (),
    ) -> tuple[list[Mix], int]:
        """Each listener's sends in the songs that are drawn, and how many listeners are not. `held`: refusals at a
        bound, by song and send; `tops`: the highest level of each send; `order`: the listeners as the rig has them."""
        by: dict[str, list[SendKey]] = {}
        for key in map(_send, self._levels()):
            by.setdefault(key[0], []).append(key)
        rank = {name: at for at, name in enumerate(order)}
        names = sorted(by, key=lambda name: rank.get(name, len(rank)))
        drawn = names[:LISTENERS_MAX]
        mixes = [self._mix(name, by[name], songs, held, tops) for name in drawn]
        return mixes, len(names) - len(drawn)

    def _mix(
        self,
        listener: str,
        keys: Sequence[SendKey],
        songs: Sequence[int],
        held: Mapping[tuple[int, str], int],
        tops: Mapping[SendKey, Level],
    ) -> Mix:
        rows = {key: [self._cell(song, key, held, tops) for song in songs] for key in keys}
        silent = [key for key, cells in rows.items() if all(_is_silent(cell) for cell in cells)]
        heard = [key for key in keys if key not in set(silent)]
        moved = {key: sum(cell.ups + cell.downs + cell.held for cell in rows[key]) for key in heard}
        kept = set(sorted(heard, key=lambda key: -moved[key])[:INPUTS_MAX])
        return Mix(
            listener=listener or "?",
            inputs={key[1] or "?": rows[key] for key in heard if key in kept},
            silent=[key[1] or "?" for key in silent],
            more_inputs=len(heard) - len(kept),
        )

    def _cell(
        self, song: int, key: SendKey, held: Mapping[tuple[int, str], int], tops: Mapping[SendKey, Level]
    ) -> Cell:
        raw = self.ends_of.get(song, {}).get(key)
        level: Level | None = OFF if isinstance(raw, str) else raw
        net, ups, downs, hands = self._nudges.get((song, key), (0, 0, 0, 0))
        refused = held.get((song, f"{key[1]} in the mix of {key[0]}"), 0)
        top = tops.get(key)
        return Cell(level, net, ups, downs, hands, refused, at_ceiling=level is not None and level == top)


class _Course:
    """What comes between the changes: the night leaves a visit, something happens that the ears need to know."""

    def __init__(
        self,
        ids: Sequence[int],
        leave: Callable[[int], None],
        hearing: Hearing | None,
        events: Sequence[Event],
        first_recall: int | None,
    ) -> None:
        self._ids, self._leave, self._hearing, self._events = ids, leave, hearing, events
        self._first_recall = 2**63 if first_recall is None else first_recall
        self._visit = self._place = 0

    def come_to(self, number: int, at: int) -> int:
        """The night comes to the row `number`, at a time, ns. Returns the number of the next row that something comes
        before."""
        while number >= self._next_visit:
            self._leave(self._visit)
            self._visit += 1
        hearing = self._hearing
        if hearing is None:
            return self._next_visit
        while number >= self._events[self._place].number:
            hearing.happen(self._events[self._place])
            self._place += 1
        hearing.go_to(at)
        if number == self._first_recall and not hearing.begun:
            hearing.begin_at_base(at)
        recall = self._first_recall if self._first_recall > number else 2**63
        return min(self._next_visit, self._events[self._place].number, recall)

    @property
    def _next_visit(self) -> int:
        return self._ids[self._visit + 1] if self._visit + 1 < len(self._ids) else 2**63

    def end(self) -> None:
        """There are no more changes."""
        for rest in range(self._visit, len(self._ids)):
            self._leave(rest)
        if self._hearing is not None:
            for event in self._events[self._place : -1]:
                self._hearing.happen(event)


def _send(names: str) -> SendKey:
    listener, _, input_ = names.partition(BETWEEN)
    return listener, input_


def _is_silent(cell: Cell) -> bool:
    return cell.level in (None, OFF) and not cell.moved and not cell.held
