"""The levels of each listener's sends by song, from the changes of a journal: one pass over all of them, and one over
those that feet and hands made."""

from __future__ import annotations

import sqlite3
from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

from stagectl.core.levels import OFF, Level
from stagectl.ears.night import BY_DESK
from stagectl.journal.causes import cause
from stagectl.report.figures import Cell, Mix, SendKey
from stagectl.report.hearing import Event, Hearing
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
SELECT id, at, listener || char(31) || input,
    CASE WHEN what IN ({", ".join(f"'{cause}'" for cause in BY_DESK)}) THEN level_after ELSE level_sent END
FROM story WHERE kind = 'change' ORDER BY id
"""
"""One text for the names of a send, since fetching them is what takes the longest; names hold no unit separator."""

_NUDGES: Final = f"""
SELECT id, press, what, listener, input, level_before, level_after FROM story
WHERE kind = 'change' AND level_before IS NOT NULL AND what NOT IN ({", ".join(f"'{cause}'" for cause in BY_PLACE)})
ORDER BY id
"""

_RECALLS: Final = "SELECT min(id) FROM story WHERE kind = 'change' AND what = 'recall'"

_LOW: Final = -(10**9)
_Raw = int | str | None

_NEVER: Final = Event(2**63, 0)


class Levels:
    """Follows what the desk was told. `keep`: the indices of the songs that are drawn."""

    def __init__(self, visits: Visits, keep: Iterable[int]) -> None:
        self.count = 0
        self.end = 0
        self.damage: str | None = None
        self.more_sends = 0
        self.ends_of: dict[int, dict[SendKey, _Raw]] = {}
        """For each song drawn, the levels at the end of its last visit."""
        self._visits = visits
        self._now: dict[SendKey, _Raw] = {}
        self._nudges: dict[tuple[int, SendKey], list[int]] = {}
        wanted = set(keep)
        self._last = {song: at for at, song in enumerate(visits.songs) if song in wanted}

    def read(
        self, connection: sqlite3.Connection, hearing: Hearing | None = None, events: Sequence[Event] = ()
    ) -> None:
        """Read all changes; `damage` says where they could not be read on. `hearing` hears them all, and the events."""
        try:
            first_recall = connection.execute(_RECALLS).fetchone()[0] if hearing is not None else None
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
        ids, now = self._visits.ids, self._now
        visit, count, at, place = 0, 0, 0, 0
        edge = ids[1] if len(ids) > 1 else 2**63
        named: dict[str, SendKey] = {}
        sends = {} if hearing is None else hearing.sends
        try:
            for number, at, names, raw in connection.execute(_CHANGES):
                count += 1
                while number >= edge:
                    self._leave(visit)
                    visit += 1
                    edge = ids[visit + 1] if visit + 1 < len(ids) else 2**63
                key = named.get(names)
                if key is None:
                    key = self._named(names)
                    if key is None:
                        continue
                    named[names] = key
                if raw is not None:
                    now[key] = raw
                if hearing is None:
                    continue
                while number >= events[place].number:
                    hearing.happen(events[place])
                    place += 1
                if at > hearing.now:
                    hearing.go_to(at)
                if number == first_recall and not hearing.begun:
                    hearing.begin_at_base(at)
                if key not in sends:
                    hearing.strangers[key] += 1
                elif raw is None:
                    # A level that is not known leaves the one that was, and takes back one of the same moment.
                    hearing.told.pop(key, None)
                else:
                    hearing.told[key] = OFF if isinstance(raw, str) else raw
        finally:
            for rest in range(visit, len(ids)):
                self._leave(rest)
            self.count, self.end = count, at
            if hearing is not None:
                for event in events[place:-1]:
                    hearing.happen(event)

    def _named(self, names: str | None) -> SendKey | None:
        if names is not None and len(self._now) < SENDS_KEPT:
            listener, _, input_ = names.partition("\x1f")
            return listener, input_
        self.more_sends += 1
        return None

    def _read_nudges(self, connection: sqlite3.Connection) -> None:
        ids, songs, undone = self._visits.ids, self._visits.songs, self._visits.undone
        for number, press, what, listener, input_, before, after in connection.execute(_NUDGES):
            if press not in undone:
                song = songs[bisect_right(ids, number) - 1]
                self._nudge((song, (listener, input_)), before, after, what)

    def _leave(self, visit: int) -> None:
        song = self._visits.songs[visit]
        if self._last.get(song) == visit:
            self.ends_of[song] = dict(self._now)

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
        for key in self._now:
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


def _is_silent(cell: Cell) -> bool:
    return cell.level in (None, OFF) and not cell.moved and not cell.held
