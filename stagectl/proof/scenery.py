"""The scene levels of one plan, place by place, and what bounds them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from math import fsum, log10

from stagectl.core.levels import Level, Off
from stagectl.core.plan import Levels, Plan, SetTo, ShiftBy, laid_over
from stagectl.core.state import Place


class Scenery:
    """Levels before nudges: of stops, and of scenes laid over them."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.rows = [stop.levels for stop in plan.stops]
        self.changes: list[dict[int, list[SetTo | ShiftBy]]] = []
        """Of each scene, what it does to the sends that it names."""
        for scene in plan.scenes:
            changes: dict[int, list[SetTo | ShiftBy]] = defaultdict(list)
            for send, change in scene.layer:
                changes[send].append(change)
            self.changes.append(dict(changes))
        self._laid: dict[Place, Levels] = {}
        self._same: dict[Levels, Levels] = {}
        self._differs: dict[tuple[int, int], list[int]] = {}
        self._mixes: dict[Place, list[int]] = {}
        self._power: dict[Level | None, float] = {}

    def differs(self, stop: int, other: int) -> list[int]:
        """The sends that are not the same at two stops."""
        key = min(stop, other), max(stop, other)
        if key not in self._differs:
            pairs = enumerate(zip(self.rows[stop], self.rows[other], strict=True))
            self._differs[key] = [send for send, (a, b) in pairs if a != b]
        return self._differs[key]

    def level(self, place: Place, send: int) -> Level | None:
        """The scene level of a send at a place."""
        level = self.rows[place.stop][send]
        if place.scene is None:
            return level
        for change in self.changes[place.scene].get(send, ()):
            level = laid_over(level, change)
        return level

    def row(self, place: Place) -> Levels:
        """The scene levels of every send at a place; the same object where they are the same."""
        if place.scene is None:
            return self.rows[place.stop]
        if place not in self._laid:
            laid = list(self.rows[place.stop])
            for send in self.changes[place.scene]:
                laid[send] = self.level(place, send)
            row = tuple(laid)
            self._laid[place] = self._same.setdefault(row, row)
        return self._laid[place]

    def mixes(self, place: Place) -> list[int]:
        """Each listener's mix as a sum (`jumps.py`), hundredths of a dB; the nudge floor where it is below that."""
        if place not in self._mixes:
            self._mixes[place] = list(self._summed(place))
        return self._mixes[place]

    def _summed(self, place: Place) -> Iterator[int]:
        plan, width, row = self.plan, self.plan.width, self._held(place)
        power, floor = self._power, plan.limits.nudge_floor
        for level in set(row) - power.keys():
            power[level] = 10 ** (level / 1000) if isinstance(level, int) else 0.0
        for at in range(0, len(row), width):
            whole = row[at + width - 1]
            total = fsum(map(power.__getitem__, row[at : at + width - 1]))
            if not total or isinstance(whole, Off):
                yield floor
            else:
                yield max(floor, round(1000 * log10(total)) + (whole or 0))

    def _held(self, place: Place) -> Sequence[Level | None]:
        """The levels of a place as the plan holds them at their tops."""
        row = self.plan.bounded[place.stop]
        if place.scene is None:
            return row
        laid = list(row)
        for send in self.changes[place.scene]:
            level, top = self.level(place, send), self.plan.tops[send]
            laid[send] = min(level, top) if isinstance(level, int) and top is not None else level
        return laid
