"""What is typed to the virtual desk while it runs: hands at its faders, its power, its stored scenes."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Final

from stagectl.desk.meaning import Spot
from stagectl.desk.say import Sayer
from stagectl.desk.stand_in import StandIn
from stagectl.errors import WireError
from stagectl.show.decibels import LevelText

HELP: Final = (
    "say `levels`, `move MIX INPUT LEVEL` (or `move MIX whole LEVEL`), `store NUMBER`, `recall NUMBER`, `power off` or "
    "`power on`"
)


class Typed:
    """Does what a line says; the lines that answer it."""

    def __init__(self, stand_in: StandIn, sayer: Sayer) -> None:
        self._stand_in = stand_in
        self._sayer = sayer
        self._words: Mapping[str, Callable[[Sequence[str], int], Iterator[str]]] = {
            "levels": self._levels,
            "move": self._move,
            "store": self._store,
            "recall": self._recall,
            "power": self._power,
        }

    def line(self, line: str, now: int) -> list[str]:
        """One line, at a time (ns)."""
        word, *more = line.split() or [""]
        if not word:
            return []
        try:
            return list(self._words[word](more, now)) if word in self._words else self._sayer.note(HELP)
        except (WireError, ValueError) as error:
            return self._sayer.note(str(error))

    def _levels(self, more: Sequence[str], now: int) -> Iterator[str]:
        yield from self._sayer.levels() if not more else self._sayer.note(HELP)

    def _move(self, more: Sequence[str], now: int) -> Iterator[str]:
        if len(more) < 3:
            raise ValueError(HELP)
        self._check_on()
        mix, socket, *level = more
        spot = Spot(_number(mix), None if socket == "whole" else _number(socket))
        yield from self._sayer.by_hand(self._stand_in.move(spot, LevelText().parse(" ".join(level)), now))

    def _store(self, more: Sequence[str], now: int) -> Iterator[str]:
        number = _number(" ".join(more))
        self._stand_in.desk.store(number)
        yield from self._sayer.note(f"scene {number} is stored", scene=number)

    def _recall(self, more: Sequence[str], now: int) -> Iterator[str]:
        self._check_on()
        for heard in self._stand_in.recall(_number(" ".join(more)), now):
            yield from self._sayer.by_hand(heard)

    def _power(self, more: Sequence[str], now: int) -> Iterator[str]:
        if more not in (["off"], ["on"]):
            raise ValueError(HELP)
        self._stand_in.power(more == ["on"])
        yield from self._sayer.note(f"the desk is {more[0]}", power=more[0])

    def _check_on(self) -> None:
        if not self._stand_in.on:
            raise ValueError("the desk is off: nobody can move anything")


def _number(typed: str) -> int:
    if not (typed.isascii() and typed.isdigit() and len(typed) < 6):
        raise ValueError(f"`{typed}` stands where a number is needed; {HELP}")
    return int(typed)
