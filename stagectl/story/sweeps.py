"""A sweep of a treadle is one thing to people, and dozens of steps in the journal.

Each step is a press, with what it moved or why it was refused. Steps of the same treadle that follow each other within
`SWEEP_NS`, with nothing else between, are told as the first one: how many they were, each reason once, and each level
from where it was before to where it came to. While the night is played nobody knows yet whether a foot goes on, so its
steps are held back (`Held`) until it rests, something else happens, or `HELD_NS` have gone; a longer sweep is told in
pieces. Where presses and refusals are counted, a sweep counts once (`Once`).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby
from typing import Final, NamedTuple, TypeAlias

from stagectl.core.actions import Ride
from stagectl.core.effects import Reason
from stagectl.core.gestures import Gesture
from stagectl.story.rows import Row

SWEEP_NS: Final = 1_000_000_000
"""A foot that rests for so long begins a new sweep."""

HELD_NS: Final = 1_000_000_000
"""So long after its first step a sweep that goes on is told, as far as it has come."""

REST_NS: Final = 300_000_000
"""So long after its last step it is told, though it may go on."""

HELD_MAX: Final = 500
"""Steps that are held back at once."""

Told: TypeAlias = tuple[int, Row]
"""A row to be told, and the place of the row that it stands for."""

Whose: TypeAlias = tuple[str | None, ...]
"""Whose treadle: who, pedal, control."""

WAITS: Final = Reason.NOT_PICKED_UP.value
"""The refusal that a treadle alone gets, for each step that has not met the level."""


class _Step(NamedTuple):
    """Rows of one time, with their places. `whose`: whose treadle; None where it is no step of any."""

    whose: Whose | None
    rows: list[Told]

    @property
    def at(self) -> int:
        return self.rows[0][1].at

    @property
    def press(self) -> int | None:
        return self.rows[0][1].press


def swept(rows: Sequence[Row]) -> list[Told]:
    """What is told of some rows, in their order: sweeps as one."""
    out: list[Told] = []
    for sweep in _sweeps(rows):
        out += _told(sweep)
    return out


def _told(sweep: Sequence[_Step]) -> list[Told]:
    return sweep[0].rows if len(sweep) == 1 else _one(sweep)


class Held:
    """Rows as they come, with the steps of a sweep held back until it can be told as one. Times are monotonic, ns."""

    def __init__(self) -> None:
        self._sweep: list[_Step] = []
        self._first = self._last = 0

    @property
    def due(self) -> int | None:
        """When what is held back is to be told, whatever comes; None where nothing is."""
        return min(self._first + HELD_NS, self._last + REST_NS) if self._sweep else None

    def add(self, rows: Sequence[Row], now: int) -> tuple[list[Row], list[Row]]:
        """Some more rows, which begin and end with whole presses. Returns what had been held back and is to be told
        before them, with the steps of these that belong to it, and what is to be told of these at once."""
        before: list[Row] = []
        told: list[Row] = []
        out = before if self._sweep else told
        for step in _steps(rows):
            if self._has_room(now) and _goes_on(self._sweep, step):
                self._sweep.append(step)
            else:
                out += self.end()
                out = told
                self._begin(step, out, now)
            self._last = now
        return before, told

    def _has_room(self, now: int) -> bool:
        return self.due is not None and now < self.due and len(self._sweep) < HELD_MAX

    def _begin(self, step: _Step, out: list[Row], now: int) -> None:
        if step.whose is None:
            out += [row for _, row in step.rows]
        else:
            self._sweep, self._first = [step], now

    def end(self) -> list[Row]:
        """What is held back, to be told now."""
        sweep, self._sweep = self._sweep, []
        return [row for _, row in _told(sweep)] if sweep else []


class Once:
    """Which of some presses, or refusals, in their order, count: of a sweep the first."""

    def __init__(self) -> None:
        self._whose: Whose | None = None
        self._at = 0

    def counts(self, whose: Whose | None, at: int) -> bool:
        """Whether the next one counts. `whose`: whose treadle, where it is a step of one; `at`: its time, ns."""
        goes_on = whose is not None and whose == self._whose and at - self._at <= SWEEP_NS
        self._whose, self._at = whose, at
        return not goes_on


def _steps(rows: Iterable[Row]) -> Iterator[_Step]:
    for _, some in groupby(enumerate(rows), key=lambda pair: (pair[1].at, pair[1].press)):
        yield _step(list(some))


def _sweeps(rows: Sequence[Row]) -> Iterator[list[_Step]]:
    sweep: list[_Step] = []
    for step in _steps(rows):
        if sweep and _goes_on(sweep, step):
            sweep.append(step)
            continue
        if sweep:
            yield sweep
        sweep = [step]
    if sweep:
        yield sweep


def _step(rows: list[Told]) -> _Step:
    row = rows[0][1]
    turns = row.kind == "press" and row.gesture == Gesture.TURN.value
    waits = row.kind == "refusal" and row.detail == WAITS
    return _Step((row.who, row.pedal, row.control) if turns or waits else None, rows)


def _goes_on(sweep: list[_Step], step: _Step) -> bool:
    last = sweep[-1]
    if sweep[0].whose is None or step.at - last.at > SWEEP_NS:
        return False
    if step.whose is None:
        # A frame of a way that is smoothed is its press's.
        frame = all(row.kind == "change" and row.what == Ride.word for _, row in step.rows)
        return frame and step.press in {one.press for one in sweep}
    return step.whose == sweep[0].whose


def _one(sweep: Sequence[_Step]) -> list[Told]:
    at, first = sweep[0].rows[0]
    steps = sum(step.whose is not None for step in sweep)
    found: dict[tuple[str | None, ...], Told] = {}
    for place, row in (pair for step in sweep for pair in step.rows):
        key = (row.kind, row.listener, row.input) if row.kind == "change" else (row.kind, row.detail)
        was = found.get(key, (place, row))[1]
        found[key] = (at, row._replace(at=first.at, press=first.press, before=was.before))
    head = found[first.kind, first.detail][1]
    many = f"{steps} steps"
    if first.kind == "press":
        found[first.kind, first.detail] = (at, head._replace(what=f"{head.what}, {many}"))
    else:
        found[first.kind, first.detail] = (at, head._replace(detail=f"{head.detail} ({many})"))
    return list(found.values())
