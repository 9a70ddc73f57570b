"""What is known of the desk's levels, and what is in doubt: the memory behind `answers.py`."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from types import MappingProxyType
from typing import Final

from msgspec import Struct
from msgspec.structs import replace

from stagectl.core.levels import Level, height
from stagectl.core.plan import MS

FIRST_NS: Final = 40 * MS
"""From a message to the first question whether it has arrived."""

PAUSE_NS: Final = 80 * MS
"""From the first question to the second; each pause after that is a fifth longer."""

GROWS: Final = (6, 5)

TRIES: Final = 12
"""Questions that are asked about one level: the last some three seconds after the first."""

GRACE_NS: Final = 500 * MS
"""How long after a level came right an older message, or its echo, may still be on its way."""

UNKNOWN_LOW: Final = -(10**9)
UNKNOWN_HIGH: Final = 10**9
"""The range of a send about which nothing is known."""

TOLD_MAX: Final = 256
"""Levels that the desk was told of one send, of which it may say any when it is late."""

SAME: Final = 2
"""A level comes back from a fine desk within so many hundredths of a dB: an OSC float is rounded."""


class Doubt(Struct, frozen=True):
    """A send whose level on the desk is not sure. `due`: when to look into it, ns; `tries`: questions so far; `low`,
    `high`: between which levels (as `height`) the desk was led since it was last sure; `told`: the levels themselves.

    `retold`: it was told again, and is to be asked for next. `sure`: the level came right, and only what is late is
    waited for; `was`: it came right before, so that it is not told again; `last`: the time for what is late is over,
    and the next answer ends the doubt. `again`: what the desk answered last, and how often in turn. `crossing`: after a
    hand, what the desk was told last before the hand was heard of.
    """

    due: int
    low: int = UNKNOWN_LOW
    high: int = UNKNOWN_HIGH
    told: tuple[int, ...] = ()
    tries: int = 0
    retold: bool = False
    sure: bool = False
    was: bool = False
    last: bool = False
    again: Level | None = None
    agains: int = 0
    crossing: tuple[int, ...] = ()

    def crosses(self, level: Level) -> bool:
        """Whether a level may be a message of ours that came to the desk after a hand."""
        return any(abs(height(level) - one) <= SAME for one in self.crossing)

    def spans(self, level: Level, slack: int) -> bool:
        """Whether the level may be an echo."""
        return self.low - slack <= height(level) <= self.high + slack

    def was_told(self, level: Level) -> bool:
        """Whether the desk was told that very level."""
        return any(abs(height(level) - one) <= SAME for one in self.told)


def pause(tries: int) -> int:
    """How long to wait after that many questions, ns."""
    return int(PAUSE_NS * GROWS[0] ** tries // GROWS[1] ** tries)


class Known(Struct, frozen=True):
    """What is known of the desk's levels. `said`: what it said of a send since it was last told something; `doubts`, by
    send, and when the first of them is `due`; `before`: what it had when it went, or was told last where it cannot be
    read; `reading`: whether it is being read; `stored`: when it was last told to recall a scene of its own, ns."""

    said: MappingProxyType[int, Level] = MappingProxyType({})
    doubts: MappingProxyType[int, Doubt] = MappingProxyType({})
    due: int | None = None
    before: Mapping[int, Level] = MappingProxyType({})
    reading: bool = False
    stored: int | None = None

    def with_doubts(self, doubts: dict[int, Doubt]) -> Known:
        """With other doubts."""
        return replace(self, doubts=MappingProxyType(doubts), due=_first_due(doubts))

    def doubting(self, send: int, doubt: Doubt | None) -> Known:
        """With one doubt changed, or none about that send."""
        doubts = self.doubts.copy()
        if doubt is None:
            doubts.pop(send, None)
        else:
            doubts[send] = doubt
        return self.with_doubts(doubts)

    def saying(self, send: int, level: Level) -> Known:
        """With what the desk said of a send."""
        if self.said.get(send) == level:
            return self
        # `|` and `copy` of a proxy go to its dict at once: walking through the proxy takes thirty times as long.
        return replace(self, said=MappingProxyType(self.said | {send: level}))

    def told(self, levels: Iterable[tuple[int, Level | None, Level]], now: int, *, sure: bool = False) -> Known:
        """The desk was told levels: each send, what it had been asked for before, and what it is asked for now.
        `sure`: it is taken to have arrived, and only echoes are waited for."""
        doubts, said = self.doubts.copy(), self.said.copy()
        due = now + (GRACE_NS if sure else FIRST_NS)
        for send, before, level in levels:
            # What it said of this send is past.
            said.pop(send, None)
            old = doubts.get(send)
            end = height(level)
            led: tuple[int, ...] = () if old is None else old.told
            low, high = UNKNOWN_LOW, UNKNOWN_HIGH
            if before is not None:
                start = height(before)
                led = led if old else (start,)
                ways = (start, end, *((old.low, old.high) if old else ()))
                low, high = min(ways), max(ways)
            doubts[send] = Doubt(due, low, high, (*led, end)[-TOLD_MAX:], sure=sure)
        known = MappingProxyType(said), MappingProxyType(doubts), _first_due(doubts)
        return Known(*known, self.before, self.reading, self.stored)


def _first_due(doubts: Mapping[int, Doubt]) -> int | None:
    """When the first of some doubts is due, ns."""
    return min([doubt.due for doubt in doubts.values()], default=None)


NOTHING_KNOWN: Final = Known()
