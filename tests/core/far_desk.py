"""A desk at the far end of a bad line, under the virtual clock: it keeps levels, answers questions, says what it was
told and what hands move. Packets are lost, late, doubled and out of order, by a seed."""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from itertools import count
from random import Random

from shows import Timed

from stagectl.core.effects import Ask, Effect, Question, RecallStored
from stagectl.core.events import DeskSaid, Event, Wake
from stagectl.core.levels import OFF, Level
from stagectl.core.plan import MS, Plan
from stagectl.core.state import State, begin
from stagectl.core.step import next_wake, step


@dataclass(kw_only=True)
class Line:
    """What the line does to each packet, either way."""

    loss: float = 0.0
    delay_ns: int = 1 * MS
    jitter_ns: int = 0
    twice: float = 0.0


def _exactly(level: Level) -> Level:
    return level


@dataclass(kw_only=True)
class FarDesk:
    """The desk, its line and the core at the near end. `rounds`: what it makes of a level."""

    plan: Plan
    line: Line = field(default_factory=Line)
    seed: int = 0
    rounds: Callable[[Level], Level] = _exactly
    echoes: bool = True
    on: bool = True

    def __post_init__(self) -> None:
        self.state: State = begin(self.plan, 0)
        self.effects: list[Effect] = []
        self.levels: dict[int, Level] = {
            send: OFF for send in range(len(self.plan.ceilings)) if self.plan.grid_of(send) is not None
        }
        self.told: list[tuple[int, int, Level]] = []
        self._random = Random(self.seed)
        self._number = count()
        self._wire: list[tuple[int, int, Callable[[int], None]]] = []

    # -- the line -----------------------------------------------------------------------------------------

    def _carry(self, now: int, what: Callable[[int], None]) -> None:
        for _ in range(2 if self._random.random() < self.line.twice else 1):
            if self._random.random() >= self.line.loss:
                late = self.line.delay_ns + (self._random.randrange(self.line.jitter_ns) if self.line.jitter_ns else 0)
                heapq.heappush(self._wire, (now + late, next(self._number), what))

    def _say(self, now: int, send: int) -> None:
        level = self.levels[send]
        self._carry(now, lambda at: self._step(DeskSaid(send=send, level=level), at))

    def _hear(self, send: int, level: Level) -> Callable[[int], None]:
        def heard(at: int) -> None:
            if self.on:
                self.told.append((at, send, level))
                self.levels[send] = self.rounds(level)
                if self.echoes:
                    self._say(at, send)

        return heard

    def _asked(self, send: int) -> Callable[[int], None]:
        return lambda at: self._say(at, send) if self.on else None

    # -- time ---------------------------------------------------------------------------------------------

    def _step(self, event: Event, at: int) -> None:
        self.state, effects = step(self.plan, self.state, event, at)
        self.effects += effects
        for effect in effects:
            if isinstance(effect, Ask):
                for send, level in effect.levels:
                    self._carry(at, self._hear(send, level))
            elif isinstance(effect, Question):
                for send in effect.sends or self.levels:
                    self._carry(at, self._asked(send))
            elif isinstance(effect, RecallStored):
                pass

    def until(self, end: int) -> None:
        """Let time pass."""
        while True:
            due = next_wake(self.state)
            wire = self._wire[0][0] if self._wire else None
            first = min((at for at in (due, wire) if at is not None), default=None)
            if first is None or first > end:
                break
            if wire is not None and wire == first:
                at, _, what = heapq.heappop(self._wire)
                what(max(at, self.state.now))
            else:
                self._step(Wake(), first)
        self._step(Wake(), end)

    def do(self, *events: Timed) -> None:
        """Things that happen."""
        for at, event in events:
            self.until(at)
            self._step(event, at)

    def hand(self, at: int, way: Iterable[tuple[int, int, Level]]) -> None:
        """Somebody's hand: for each of its moves the time after `at`, the send and the level."""
        for after, send, level in way:
            self.until(at + after)
            self.levels[send] = level
            self._say(at + after, send)

    def of(self, kind: type) -> list[Effect]:
        """The effects of one kind so far."""
        return [effect for effect in self.effects if isinstance(effect, kind)]

    @property
    def differs(self) -> dict[int, tuple[Level | None, Level]]:
        """Where the desk is not at what it was asked for."""
        return {
            send: (step_, self.levels[send])
            for send, step_ in enumerate(self.state.steps)
            if step_ is not None and send not in self.state.left and self.levels[send] != step_
        }
