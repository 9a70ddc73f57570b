"""What is going to happen in a world, in its order: the night's inputs, and what the world itself has begun."""

from __future__ import annotations

import heapq
from collections.abc import Callable, Sequence
from itertools import count
from typing import Final

from .clock import SECOND, Clock
from .inputs import Input

ENDS_NS: Final = 30 * SECOND
"""How long after its last input a history ends that does not say when."""


class Agenda:
    """`last_input`: when something was last done to the stage, by the world's time, ns."""

    def __init__(self, clock: Clock, inputs: Sequence[Input]) -> None:
        self.last_input = 0
        self._clock = clock
        self._order = count()
        self._waiting: list[tuple[int, int, bool, Callable[[], None]]] = []
        self._unrest = 0
        self._inputs = sorted(inputs)
        if not any(one.kind == "end" for one in inputs):
            # A history that was cut down ends all the same.
            last = self._inputs[-1].at if inputs else 0
            self._inputs.append(Input(last + ENDS_NS, "end"))
        self._next = 0

    def later(self, after_ns: int, what: Callable[[], None], *, rests: bool = False) -> None:
        """Do something in a while. `rests`: until then nothing is under way because of it."""
        self._unrest += not rests
        heapq.heappush(self._waiting, (self._clock.world + max(0, after_ns), next(self._order), rests, what))

    def mended(self, after_ns: int, what: Callable[[], None], *, rests: bool = False) -> None:
        """In a while something is as it was before a fault; that takes its time to come to rest, too. `rests`: as
        `later` has it."""

        def back() -> None:
            self.last_input = self._clock.world
            what()

        self.later(after_ns, back, rests=rests)

    @property
    def waits(self) -> bool:
        """Whether the world itself has begun anything that is not over."""
        return self._unrest > 0

    @property
    def input_at(self) -> int | None:
        """When the next input comes, by the world's time, ns; None after the last."""
        return self._inputs[self._next].at if self._next < len(self._inputs) else None

    @property
    def next_at(self) -> int | None:
        """When anything happens next, by the world's time, ns."""
        at = self.input_at
        if self._waiting and (at is None or self._waiting[0][0] <= at):
            return self._waiting[0][0]
        return at

    def take(self) -> Callable[[], None] | Input | None:
        """What comes next."""
        at = self.input_at
        if self._waiting and (at is None or self._waiting[0][0] <= at):
            _, _, rests, what = heapq.heappop(self._waiting)
            self._unrest -= not rests
            return what
        if at is None:
            return None
        self._next += 1
        self.last_input = self._clock.world
        return self._inputs[self._next - 1]
