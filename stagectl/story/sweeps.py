"""A sweep of a treadle is one thing to people, and dozens of steps in the journal.

Each step is a press, with what it moved or why it was refused. Steps of the same treadle that follow each other within
`SWEEP_NS`, with nothing else between, are told as the first one: how many they were, each reason once, and each level
from where it was before to where it came to.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import Final, NamedTuple, TypeAlias

from stagectl.core.actions import Ride
from stagectl.core.effects import Reason
from stagectl.core.gestures import Gesture
from stagectl.story.rows import Row

SWEEP_NS: Final = 1_000_000_000
"""A foot that rests for so long begins a new sweep."""

Told: TypeAlias = tuple[int, Row]
"""A row to be told, and the place of the row that it stands for."""


class _Step(NamedTuple):
    """Rows of one time, with their places. `whose`: whose treadle; None where it is no step of any."""

    whose: tuple[str | None, ...] | None
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
        out += sweep[0].rows if len(sweep) == 1 else _one(sweep)
    return out


def _sweeps(rows: Sequence[Row]) -> Iterator[list[_Step]]:
    sweep: list[_Step] = []
    for _, some in groupby(enumerate(rows), key=lambda pair: (pair[1].at, pair[1].press)):
        step = _step(list(some))
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
    waits = row.kind == "refusal" and row.detail == Reason.NOT_PICKED_UP.value
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


def _one(sweep: list[_Step]) -> list[Told]:
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
