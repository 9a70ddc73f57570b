"""Players for tests: what they send, when, and what comes of the way through drivers."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from fractions import Fraction
from random import Random
from typing import Final, NamedTuple, TypeAlias

from stagectl.core.tempo import TempoMap
from stagectl.tracks.follow import Follower, Said
from stagectl.wire.time_code import Rate, quarter_begins, quarter_frame, quarter_from

MS: Final = 1_000_000
SECOND: Final = 1_000 * MS

CLOCK: Final = b"\xf8"
START: Final = b"\xfa"
CONTINUE: Final = b"\xfb"
STOP: Final = b"\xfc"


class Heard(NamedTuple):
    """A message and when it arrives."""

    at: int
    packet: bytes


class Player(NamedTuple):
    """A track that is at position 0 at `zero` and runs a little slow or fast against our clock."""

    zero: int = 5 * SECOND
    ppm: int = 0

    @classmethod
    def at(cls, position: int, time: int = 5 * SECOND, ppm: int = 0) -> Player:
        """One that is at a position at a time."""
        return cls(time - round(position * (1 + Fraction(ppm, 1_000_000))), ppm)

    def time(self, position: int) -> int:
        """When it is at a position."""
        return self.zero + round(position * (1 + Fraction(self.ppm, 1_000_000)))

    def position(self, time: int) -> Fraction:
        """Where it is."""
        return (time - self.zero) / (1 + Fraction(self.ppm, 1_000_000))

    def clocks(self, tempo: TempoMap, first: int, until: int) -> Iterator[Heard]:
        """Its clocks from a number on, up to a position."""
        while (position := tempo.at_clock(first)) < until:
            yield Heard(self.time(position), CLOCK)
            first += 1

    def code(self, rate: Rate, since: int, until: int) -> Iterator[Heard]:
        """Its quarter frames from a position on, up to another."""
        quarter = quarter_from(since, rate)
        while (position := quarter_begins(quarter, rate)) < until:
            yield Heard(self.time(position), quarter_frame(quarter, rate))
            quarter += 1


Delay: TypeAlias = Callable[[int], int]
"""When what is sent at a time arrives."""


def by_chance(seed: int, most: int = 10 * MS) -> Delay:
    """Late by 0 to so many ns, evenly."""
    chance = Random(seed)
    return lambda at: at + chance.randrange(most + 1)


def by_periods(period: int, phase: int) -> Delay:
    """At the next beginning of a period, as audio drivers deliver."""
    return lambda at: at + (phase - at) % period


def late(messages: Iterable[Heard], delay: Delay) -> Iterator[Heard]:
    """The messages as they arrive: in order, never early."""
    last: int | None = None
    for at, packet in messages:
        last = delay(at) if last is None else max(last, delay(at))
        yield Heard(last, packet)


def heard(follower: Follower, messages: Iterable[Heard]) -> list[Said]:
    """What the follower says of them."""
    return [said for at, packet in messages for said in follower.hear(packet, at)]


def wrong(said: Said, player: Player) -> int:
    """By how many ns a position that was said is ahead of the player's; negative: behind it."""
    return round(said.position - player.position(said.at))
