"""What stands for each send, press by press: wishes, room that was made, and how a press is taken back.

Where one press moves a mix both ways, what rises was asked for and what falls made room; but where what rises gets back
just what it gave to one press, that press is taken back, and what falls was asked for. A press that moves the same
sends by as much the other way as an earlier one takes that one back: so does `undo`, and so does the opposite nudge.

A hush is remembered among the presses, since it may be what an undo takes back (`taken_back`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Set
from typing import Final, NamedTuple

from stagectl.core.levels import Level, Off
from stagectl.core.plan import Plan
from stagectl.keep.told import NONE, Entry
from stagectl.story.rows import Row
from stagectl.story.taken_back import PRESSES_KEPT, hush_taken_back, taken_back

HAND: Final = "hand"


class _Group(NamedTuple):
    """A press that changed what stands: by how much each send moved, and what stood there before it, and after it.
    `hush`: the listener whose mix a hush took down, or gave back; what stands is then the same."""

    moved: Mapping[int, int | None]
    before: Mapping[int, Entry]
    after: Mapping[int, Entry]
    hush: int | None = None


class Standing:
    """What stands. `text`: asks what the show's text gives a send at the present place."""

    def __init__(self, plan: Plan, text: Callable[[int], Level | None]) -> None:
        self.plan, self._text = plan, text
        self.entries: dict[int, Entry] = {}
        self._groups: list[_Group] = []

    def goes_on_by(self, plan: Plan, there: Mapping[int, int | None]) -> None:
        """From now on another plan counts. `there`: its sends for those of the plan before. No press of before can be
        taken back by the same the other way."""
        pairs = ((there.get(send), entry) for send, entry in self.entries.items())
        self.plan, self._groups = plan, []
        self.entries = {to: entry for to, entry in pairs if to is not None}

    def ride(self, rows: Mapping[int, Row], moved: Mapping[int, int | None], down: int) -> None:
        """A treadle moved some sends of a mix. `down`: how far a hush has that down, hundredths of a dB."""
        for send, by in moved.items():
            entry, row = self.entries.get(send, NONE), rows[send]
            bound = any(self._at_bound(send, level, down) for level in (row.before, row.after))
            loose = entry.loose or bound or len(moved) > 1
            self.entries[send] = entry._replace(ride=entry.ride + (by or 0), loose=loose)

    def _at_bound(self, send: int, level: Level | None, down: int) -> bool:
        """Whether a level is one at which a bound may hold it."""
        top = self.plan.tops[send]
        return not isinstance(level, int) or (top is not None and level + down >= top)

    def rides_known(self, levels: Mapping[int, Level | None], down: int) -> None:
        """Some sends have the levels that what stands comes to: where nothing is asked for and no bound may hold a
        level, it says how far the treadle stands. `down`: as in `ride`."""
        for send, level in levels.items():
            entry = self.entries.get(send, NONE)
            if entry.loose and not entry.asks and not self._at_bound(send, level, down):
                self.entries[send] = entry._replace(loose=False)

    def hand_held(self, send: int, by: int) -> None:
        """A hand's wish came to so much else than the hand did."""
        if send in self.entries:
            entry = self.entries[send]
            self.entries[send] = entry._replace(shift=entry.shift + by)

    def clear(self, listener: int, moved: Mapping[int, int | None]) -> Mapping[int, Entry]:
        """A listener's wishes are taken back; what stands for their sends then."""
        first, end = self.plan.send(listener, 0), self.plan.send(listener + 1, 0)
        gone = {send: one.without_wish() for send, one in self.entries.items() if first <= send < end}
        return self._put(moved, gone)

    def fall_back(self) -> None:
        """Nothing is asked for any more, and no treadle holds anything."""
        self.entries = {send: one.without_wish()._replace(ride=0, loose=False) for send, one in self.entries.items()}

    def hush(self, listener: int, moved: Mapping[int, int | None]) -> None:
        """A hush took a listener's mix down, or gave it back."""
        self._remember(_Group(dict(moved), {}, {}, listener))

    def takes_hush_back(self, listener: int, moved: Mapping[int, int | None]) -> bool:
        """Whether an undo that moved some sends of a listener's mix took a hush back, or its end; that one is then
        forgotten."""
        found = hush_taken_back(self._groups, listener, moved)
        if found is not None:
            del self._groups[found]
        return found is not None

    def change(self, rows: Mapping[int, Row], moved: Mapping[int, int | None], at: int) -> Mapping[int, Entry]:
        """A press moved some sends of a mix, or took such a press back; what stands for them then."""
        found = taken_back(self._groups, moved, hushes=False)
        back = None if found is None else self._groups.pop(found)
        after = self._asked(rows, moved, at) if back is None else _taken_back(self.entries, back)
        return self._put(moved, after)

    def _put(self, moved: Mapping[int, int | None], after: Mapping[int, Entry]) -> Mapping[int, Entry]:
        before = {send: self.entries.get(send, NONE) for send in after}
        self._remember(_Group(dict(moved), before, dict(after)))
        self.entries.update(after)
        return after

    def _remember(self, group: _Group) -> None:
        self._groups = [*self._groups, group][-PRESSES_KEPT:]

    def _asked(self, rows: Mapping[int, Row], moved: Mapping[int, int | None], at: int) -> dict[int, Entry]:
        """What stands after a press that asked for levels, or an undo of one that is not remembered as it was."""
        risen = {send for send, row in rows.items() if rises(row)}
        room = set() if len(risen) in (0, len(rows)) else rows.keys() - risen
        if self._gives_back(moved, risen):
            room = risen
        out = {}
        for send, by in moved.items():
            entry = self.entries.get(send, NONE)
            if send in room:
                out[send] = entry._replace(room=entry.room + (by or 0))
            else:
                out[send] = self._wished(send, entry, by, rows[send].after)._replace(since=at)
        return out

    def _gives_back(self, moved: Mapping[int, int | None], risen: Set[int]) -> bool:
        """Whether what rises gets back the room that it gave to one press."""
        for at in range(len(self._groups) - 1, -1, -1):
            before, after = self._groups[at].before, self._groups[at].after
            if risen and all(send in after and before[send].room - after[send].room == moved[send] for send in risen):
                del self._groups[at]
                return True
        return False

    def _wished(self, send: int, entry: Entry, by: int | None, after: Level | None) -> Entry:
        """A wish after a press that took its level to `after`, by so much."""
        text, floor = self._text(send), self.plan.limits.nudge_floor
        if isinstance(text, Off):
            return entry._replace(lift=after - floor if isinstance(after, int) else None)
        if by is not None:
            return entry._replace(shift=entry.shift + by)
        if text is None:
            return entry
        level = after if isinstance(after, int) else min(floor, text) - 1
        return entry._replace(shift=level - text - entry.room - entry.ride)


def moved_by(row: Row, known: Level | None, after: Level | None) -> int | None:
    """By how much a row moved a level, hundredths of a dB; None from or to `off`. A hand's row begins at the desk's
    step of what was wanted."""
    before = known if row.what == HAND and known is not None else row.before
    return after - before if isinstance(before, int) and isinstance(after, int) else None


def rises(row: Row) -> bool:
    before, after = row.before, row.after
    if isinstance(before, int) and isinstance(after, int):
        return after > before
    return isinstance(after, int)


def _taken_back(entries: Mapping[int, Entry], group: _Group) -> dict[int, Entry]:
    """What stands without what a press has given."""
    out = {}
    for send, before in group.before.items():
        after, now = group.after[send], entries.get(send, NONE)
        out[send] = now._replace(
            shift=now.shift + before.shift - after.shift,
            lift=before.lift if now.lift == after.lift else now.lift,
            room=now.room + before.room - after.room,
        )
    return out
