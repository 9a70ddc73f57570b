"""The levels of each listener's sends by song, from the changes of a journal: one pass over all of them, and one over
those that feet and hands made."""

from __future__ import annotations

import sqlite3
from bisect import bisect_right
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Any, Final, NamedTuple, TypeAlias

from stagectl.core.actions import Hush, Undo
from stagectl.core.levels import OFF, Level, height
from stagectl.journal.causes import cause
from stagectl.report.bundles import Bundle, Changes, Raw
from stagectl.report.course import Course
from stagectl.report.figures import LEFT_BEYOND, Cell, Mix, SendKey
from stagectl.report.hearing import Event, Hearing
from stagectl.report.tally import Tally
from stagectl.report.visits import Visits
from stagectl.story.rows import BY_EDIT
from stagectl.story.taken_back import PRESSES_KEPT, Moved, hush_taken_back, taken_back

SENDS_KEPT: Final = 20_000
"""Sends that are followed: 128 inputs of 128 mixes, and room to spare."""

NUDGES_KEPT: Final = 100_000
"""Sends of songs that feet moved."""

LISTENERS_MAX: Final = 24
INPUTS_MAX: Final = 64
"""Sends that are drawn of one listener; those that were moved most come first."""

BY_PLACE: Final = (
    *("next", "back", "go to", "recall", "fall back", "track"),
    *("read", "told again", "beside a hand", BY_EDIT),
)
"""Causes that are no wish for one send: the night went on, the desk was read or had lost its levels, a hand on another
input moved what the mix's ceiling holds, or the night went on by edited files. A hush is none either, but what undoes
it is an undo."""

_NUDGES: Final = f"""
SELECT id, press, what, listener, at, detail, input, level_before, level_after FROM story
WHERE kind = 'change' AND {" AND ".join(f"what <> '{cause}'" for cause in BY_PLACE)} AND level_before IS NOT NULL
ORDER BY id
"""
"""The likeliest cause stands first, and a chain of comparisons ends there; a list would be looked up whole."""

ROWS_KEPT: Final = 20_000
"""Rows of one press that are looked at together."""

_Row: TypeAlias = tuple[Any, ...]
"""A row as `_NUDGES` asks for it."""

HAND: Final = "hand"

_LOW: Final = -(10**9)

_LAST: Final = 2**63 - 1
"""The highest number that a row may have."""


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
        self._sends: dict[SendKey, int] = {}
        """The number of each send, in the order in which they came: that of the show where it has the send."""
        self._number_of: Callable[[tuple[str | None, str | None]], int | None] = self._sends.get  # type: ignore[assignment]
        self._strange: dict[SendKey, int] = {}
        """Sends that the show does not have."""
        self._now: dict[int, Raw] = {}
        """The level of each send that has one, by its number."""
        self._nudges: dict[tuple[int, SendKey], list[int]] = {}
        self.left = Tally()
        """Levels that hands left beyond a bound, by what, why and the song's name."""
        wanted = set(keep)
        self._last = {song: at for at, song in enumerate(visits.songs) if song in wanted}

    def read(
        self,
        connection: sqlite3.Connection,
        hearing: Hearing | None = None,
        events: Sequence[Event] = (),
        passed: Callable[[int], None] | None = None,
    ) -> None:
        """Read all changes; `damage` says where they could not be read on. `hearing` hears them all, and the events.
        `passed` is called with how many more changes were read."""
        try:
            self._follow(Changes(connection, passed), hearing, events)
        except sqlite3.Error as error:
            self.damage = cause(error)
        try:
            self._read_nudges(connection)
        except sqlite3.Error as error:
            self.damage = self.damage or cause(error)

    def _follow(self, changes: Changes, hearing: Hearing | None, events: Sequence[Event]) -> None:
        course = Course(self._visits.ids, self._last.values(), self._leave)
        try:
            if hearing is not None:
                set_begins = next((event.number for event in events if event.song), _LAST)
                course.hears(hearing, events, changes.first_recall(set_begins))
            after = -_LAST
            for edge in (*course.edges(), _LAST + 1):
                for bundle in changes.between(after, edge - 1):
                    self._take(bundle, hearing)
                course.come_to(edge)
                after = edge - 1
        finally:
            course.come_to(_LAST + 1)

    def _take(self, bundle: Bundle, hearing: Hearing | None) -> None:
        """Some changes between two edges."""
        self.count += len(bundle.ats)
        self.only_read += bundle.read
        self.end = int(bundle.ats[-1])
        raws = bundle.raws
        sends: list[int | None] = list(map(self._number_of, zip(bundle.listeners, bundle.inputs, strict=True)))
        if None in sends:
            names = zip(bundle.listeners, bundle.inputs, strict=True)
            sends = [self._send(*key, raw, hearing) for key, raw in zip(names, raws, strict=True)]
        told = zip(sends, raws, strict=True)
        if None in sends or None in raws:
            self._now.update((send, raw) for send, raw in told if send is not None and raw is not None)
        else:
            self._now.update(told)  # type: ignore[arg-type]
        if hearing is not None:
            hearing.take(bundle.ats, sends, raws)

    def _send(self, listener: str | None, input_: str | None, raw: Raw, hearing: Hearing | None) -> int | None:
        """The number of a send where it is followed, and heard; else it is counted."""
        if listener is None or input_ is None:
            self.more_sends += 1
            return None
        names = (listener, input_)
        found = self._sends.get(names)
        if found is not None:
            return found
        if names not in self._strange and len(self._sends) + len(self._strange) >= SENDS_KEPT:
            self.more_sends += 1
            return None
        if hearing is None:
            return self._sends.setdefault(names, len(self._sends))
        if names in hearing.sends:
            return self._sends.setdefault(names, hearing.sends[names])
        hearing.strangers[names] += 1
        if raw is not None:
            self._now[self._strange.setdefault(names, len(hearing.sends) + len(self._strange))] = raw
        return None

    def _levels(self) -> dict[SendKey, Raw]:
        """The level of each send that has come, and that has one."""
        now = self._now
        return {names: now[send] for names, send in (*self._sends.items(), *self._strange.items()) if send in now}

    def _read_nudges(self, connection: sqlite3.Connection) -> None:
        ids, songs, undone = self._visits.ids, self._visits.songs, self._visits.undone
        pressed: deque[_Press] = deque(maxlen=PRESSES_KEPT)
        for some in _by_press(connection.execute(_NUDGES)):
            _, press, what, listener, *_ = some[0]
            if press in undone or _is_hush(pressed, what, listener, some):
                continue
            for number, _, _, _, at, why, input_, before, after in some:
                song = songs[bisect_right(ids, number) - 1]
                self._nudge((song, (listener, input_)), before, after, what)
                if what == HAND and why in LEFT_BEYOND:
                    self.left.add((f"{input_} in the mix of {listener}", why, self._visits.names[song]), at)

    def _leave(self, visit: int) -> None:
        song = self._visits.songs[visit]
        if self._last.get(song) == visit:
            self.ends_of[song] = self._levels()

    def _nudge(self, where: tuple[int, SendKey], before: Any, after: Any, what: str) -> None:
        one = self._nudges.get(where)
        if one is None:
            if len(self._nudges) >= NUDGES_KEPT:
                return
            one = self._nudges[where] = [0, 0, 0, 0, 0]
        low, high = (_LOW if isinstance(level, str) else level for level in (before, after))
        if low > _LOW and high > _LOW:
            one[0] += high - low
        else:
            one[4] += 1
        one[1] += high > low
        one[2] += high < low
        one[3] += what == HAND

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
        for key in self._levels():
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
        net, ups, downs, hands, off = self._nudges.get((song, key), (0, 0, 0, 0, 0))
        refused = held.get((song, f"{key[1]} in the mix of {key[0]}"), 0)
        top = tops.get(key)
        at_ceiling = level is not None and top is not None and height(level) >= height(top)
        return Cell(level, None if off else net, ups, downs, hands, refused, at_ceiling=at_ceiling)


class _Press(NamedTuple):
    """What a press did to a listener's mix; as `Press` of `story/taken_back.py`."""

    moved: Moved
    hush: str | None


def _by_press(rows: Iterable[_Row]) -> Iterator[list[_Row]]:
    """Rows of one press, cause and listener, which follow each other. Raises sqlite3.Error where they cannot be read
    on, after those that could."""
    some: list[_Row] = []
    damage: sqlite3.Error | None = None
    try:
        for row in rows:
            if some and (row[1:4] != some[0][1:4] or len(some) >= ROWS_KEPT):
                yield some
                some = []
            some.append(row)
    except sqlite3.Error as error:
        damage = error
    if some:
        yield some
    if damage is not None:
        raise damage


def _is_hush(pressed: deque[_Press], what: str, listener: str | None, rows: Sequence[_Row]) -> bool:
    """Whether what a press did to a mix was a hush, its end, or one that is undone. `pressed`: what was done before,
    and not taken back; the press goes to these, or takes one away."""
    hush, undone = what == Hush.word, what == Undo.word
    moved = {
        (listener, input_): after - before if isinstance(before, int) and isinstance(after, int) else None
        for *_, input_, before, after in rows
    }
    ends = hush and any(height(after) > height(before) for *_, before, after in rows)
    found = hush_taken_back(pressed, listener, moved) if (undone or ends) and listener is not None else None
    is_hush = hush or found is not None
    if undone and found is None:
        found = taken_back(pressed, moved, hushes=False)
    if found is not None:
        del pressed[found]
    elif not (undone or ends):
        pressed.append(_Press(moved, listener if hush else None))
    return is_hush


def _is_silent(cell: Cell) -> bool:
    return cell.level in (None, OFF) and not cell.moved and not cell.held
