"""What a hand is asked to move on a desk, in words, and what was heard meanwhile.

A move is one line: `input 1 mix 1 bottom to top`, `input 1 mix 1 at -10`, `input 2 mix 1`, `whole mix 1`, `nothing`.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import Enum
from itertools import pairwise
from typing import Final, NamedTuple, TypeAlias

from stagectl.core.levels import Level, text
from stagectl.learn.series import Packet
from stagectl.show.decibels import LevelText
from stagectl.show.yamltext import shown

INPUTS_MAX: Final = 1_024
"""The highest number of an input."""

MIXES_MAX: Final = 256
"""The highest number of a mix."""

APART_FROM: Final = 4
"""Of fewer different values none stands apart."""


class Spot(NamedTuple):
    """One level of the desk, counted from 1. `input` None: the whole mix."""

    input: int | None
    mix: int

    def __str__(self) -> str:
        return f"whole mix {self.mix}" if self.input is None else f"input {self.input} mix {self.mix}"


class Way(Enum):
    """How a fader is moved."""

    NOTHING = "nothing"
    SWEEP = "bottom to top"
    MARK = "at"
    ANY = "moved"


@dataclass(frozen=True)
class Move:
    """One move. `spot`: what is moved, None where nothing is. `level`: what the desk shows at the end of a `MARK`."""

    way: Way
    spot: Spot | None = None
    level: Level | None = None

    def __str__(self) -> str:
        if self.spot is None:
            return Way.NOTHING.value
        if self.way is Way.MARK:
            return f"{self.spot} at {text(self.level)}"
        return f"{self.spot} {self.way.value}" if self.way is Way.SWEEP else f"{self.spot}"


Part: TypeAlias = tuple[Move, Sequence[Packet]]
"""A move, and what one link said meanwhile: times (ns, rising) and bytes."""

_MOVE = re.compile(
    r"(?:input (?P<input>\d{1,4}) (?:in )?mix (?P<mix>\d{1,4})|whole mix (?P<whole>\d{1,4}))"
    r"(?:(?P<sweep> bottom to top)| at (?P<level>.+)| moved)?"
)


def parse_move(typed: str) -> Move:
    """The move that a line says. Raises ValueError with what is allowed."""
    line = " ".join(typed.lower().split())
    if line == Way.NOTHING.value:
        return Move(Way.NOTHING)
    found = _MOVE.fullmatch(line)
    if found is None:
        raise ValueError(
            f"`{shown(typed.strip())}` is not a move, such as `input 1 mix 1 bottom to top`, `input 1 mix 1 at -10`, "
            "`input 2 mix 1`, `whole mix 1` or `nothing`"
        )
    spot = _spot(found)
    if found["sweep"]:
        return Move(Way.SWEEP, spot)
    if found["level"]:
        return Move(Way.MARK, spot, LevelText().parse(found["level"]))
    return Move(Way.ANY, spot)


def _spot(found: re.Match[str]) -> Spot:
    input_ = None if found["input"] is None else int(found["input"])
    mix = int(found["mix"] or found["whole"])
    if input_ is not None and not 1 <= input_ <= INPUTS_MAX:
        raise ValueError(f"input {input_} is outside 1 to {INPUTS_MAX:,}")
    if not 1 <= mix <= MIXES_MAX:
        raise ValueError(f"mix {mix} is outside 1 to {MIXES_MAX}")
    return Spot(input_, mix)


def climb(values: Sequence[float]) -> Sequence[float]:
    """What follows the lowest value: a fader is first brought to the bottom. A value apart is left out: it may
    stand for off."""
    values = _together(values)
    return values[min(range(len(values)), key=values.__getitem__) :]


def _together(values: Sequence[float]) -> Sequence[float]:
    """The values without the highest, where it is farther above the others than they are from each other."""
    different = sorted(set(values))
    if len(different) < APART_FROM or different[-1] - different[-2] <= different[-2] - different[0]:
        return values
    return [value for value in values if value != different[-1]]


def rising(values: Sequence[float]) -> float:
    """1 where the values rise from the first to the last, 0 where they fall as much as they rise."""
    moved = sum(abs(after - before) for before, after in pairwise(values))
    return max(0.0, (values[-1] - values[0]) / moved) if moved else 0.0


def straight(values: Sequence[float]) -> float:
    """How far and how straight the values rise."""
    risen = climb(values)
    return len(set(risen)) * rising(risen)


def either_way(measure: Callable[[Sequence[float]], float], values: Sequence[float]) -> float:
    """The measure of values that may fall as the hand goes up."""
    return max(measure(values), measure([-value for value in values]))
