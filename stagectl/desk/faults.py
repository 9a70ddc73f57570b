"""What can go wrong on the way to a desk and back: loss, duplication, reordering, delay and slow answers. Pure.

Chance comes from a seed and time is an argument, so the same packets at the same times have the same fate.
"""

from __future__ import annotations

import heapq
import random
import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final, Generic, NamedTuple, TypeVar

from stagectl.errors import nearest

ThingT = TypeVar("ThingT")

ON_THE_WAY_MAX: Final = 65_536
"""Packets that may be on their way at once; what comes on top is lost and counted."""

REORDER_NS: Final = 30_000_000
"""How long a packet that others may overtake is held back at the most, ns."""

DELAY_MAX_S: Final = 60

LOST, TWICE, HELD, TOO_MANY = "lost", "came twice", "held back", "lost, too many were on their way"

_CHANCES: Final = ("loss", "twice", "reorder")
_TIMES: Final = ("delay", "slow")
_UNITS: Final[Mapping[str, int]] = {"ms": 1_000_000, "s": 1_000_000_000}


@dataclass(frozen=True, kw_only=True)
class Faults:
    """`loss`, `twice`, `reorder`: how many of all packets (0 to 1) are lost, come twice, may be overtaken. `delay_ns`:
    how late a packet comes at the most. `slow_ns`: how long the desk takes for an answer."""

    loss: float = 0.0
    twice: float = 0.0
    reorder: float = 0.0
    delay_ns: int = 0
    slow_ns: int = 0

    @classmethod
    def parse(cls, text: str) -> Faults:
        """The faults of a text such as `loss 20%, delay 50 ms, reorder 10%, twice 5%, slow 300 ms`; ValueError where it
        is none."""
        found: dict[str, Any] = {}
        for part in filter(None, map(str.strip, text.split(","))):
            word, _, amount = part.partition(" ")
            if word not in (*_CHANCES, *_TIMES):
                raise ValueError(f"`{word}` is not a fault{nearest(word, (*_CHANCES, *_TIMES))}")
            key = word if word in _CHANCES else f"{word}_ns"
            found[key] = _chance(part, amount) if word in _CHANCES else _time(part, amount)
        return cls(**found)


def _chance(part: str, amount: str) -> float:
    match = re.fullmatch(r"([0-9]{1,3}(?:\.[0-9]{1,3})?) *%", amount.strip())
    if match is None or float(match[1]) > 100:
        raise ValueError(f"`{part}`: from 0 to 100 %, such as `{part.split()[0]} 20%`")
    return float(match[1]) / 100


def _time(part: str, amount: str) -> int:
    match = re.fullmatch(r"([0-9]{1,5}(?:\.[0-9]{1,3})?) *(ms|s)", amount.strip())
    time = 0 if match is None else round(float(match[1]) * _UNITS[match[2]])
    if match is None or time > DELAY_MAX_S * _UNITS["s"]:
        raise ValueError(f"`{part}`: from 0 to {DELAY_MAX_S} s, such as `{part.split()[0]} 50 ms`")
    return time


class Arrived(NamedTuple, Generic[ThingT]):
    """Something has arrived. `at`: when, ns."""

    at: int
    order: int
    thing: ThingT


class Wire(Generic[ThingT]):
    """One way of a wire. Without faults everything arrives at once and in its order; `counted`: what was done to it."""

    def __init__(self, faults: Faults, seed: str) -> None:
        self.faults = faults
        self.counted: Counter[str] = Counter()
        self._chance = random.Random(seed)
        self._on_the_way: list[Arrived[ThingT]] = []
        self._last = 0
        self._order = 0

    def put(self, thing: ThingT, now: int) -> None:
        """Something sets out at a time, ns."""
        for _ in range(1 + self._happens(self.faults.twice, TWICE)):
            if self._happens(self.faults.loss, LOST):
                continue
            if len(self._on_the_way) >= ON_THE_WAY_MAX:
                self.counted[TOO_MANY] += 1
                continue
            at = now + self._up_to(self.faults.delay_ns)
            if self._happens(self.faults.reorder, HELD):
                at += self._up_to(REORDER_NS)
            else:
                at = self._last = max(at, self._last)
            self._order += 1
            heapq.heappush(self._on_the_way, Arrived(at, self._order, thing))

    def _happens(self, chance: float, what: str) -> bool:
        happens = chance > 0 and self._chance.random() < chance
        self.counted.update([what] * happens)
        return happens

    def _up_to(self, most: int) -> int:
        return self._chance.randint(0, most) if most else 0

    @property
    def due(self) -> int | None:
        """When the next thing arrives, ns; None where nothing is on its way."""
        return self._on_the_way[0].at if self._on_the_way else None

    def take(self, now: int) -> list[Arrived[ThingT]]:
        """What has arrived up to a time, in its order."""
        out = []
        while self._on_the_way and self._on_the_way[0].at <= now:
            out.append(heapq.heappop(self._on_the_way))
        return out

    def cut(self) -> None:
        """What is on its way never arrives."""
        self._on_the_way.clear()
        self._last = 0
