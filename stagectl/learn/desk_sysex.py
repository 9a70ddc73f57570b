"""Where in SysEx the value stands: the bytes that change while one fader goes from its bottom to its top.

Pure. Messages of one length and one manufacturer are looked at together. Of the bytes that changed during a sweep,
each choice of up to `VALUE_MAX` is tried, with a checksum behind them and without: the messages that agree in all
other bytes are one fader's if their value rises as the hand did. The choice whose values rise through the most messages
of the most levels is the value; of two that explain about the same, the smaller one. A byte that tells one command from
another takes no part in the rise: as the most significant byte it would make a leap to the other command's messages.

A value whose less significant bytes never leave the numbers 0 to 15, or the digits of ASCII, is one that no profile
says: there each byte carries seven bits.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import combinations, permutations
from statistics import median_low
from typing import Final, NamedTuple, TypeAlias

from stagectl.learn.desk_checksum import checksum_of, is_sum
from stagectl.learn.desk_moves import Part, Spot, Way, climb, either_way, rising
from stagectl.learn.desk_voices import Checksum

VALUE_MAX: Final = 3
"""Bytes of a value."""

VARYING_MAX: Final = 8
"""Bytes that are looked at: those with the most different values."""

LOOKED_AT_MAX: Final = 1_000
"""Messages of one move that are looked at."""

RISES: Final = 0.5
"""So much of what a value does in a sweep is rising; a hand trembles, and brings the fader to the bottom first."""

DIGITS: Final = {
    "in halves of a byte (nibbles), 0 to 15 each": range(16),
    "as the text of digits": b" +-.0123456789ABCDEFabcdef",
}
"""What a value is written in where each byte carries less than seven bits, with its bytes."""

DIGITS_SURE: Final = 4
"""So many different bytes of them show it."""

ALIKE: Final = 0.98
"""A choice that explains this part of what the best one does explains about the same: meters that happen to stand where
a level has its numbers are a few of many messages."""

ENOUGH: Final = 40
"""So many different messages of a level tell its value; more do not outweigh another level."""


class Timed(NamedTuple):
    """A whole MIDI message."""

    at: int
    part: int
    data: bytes


class Places(NamedTuple):
    """Where the value stands, most significant byte first, and the checksum. `odd`: why no profile can say it, if
    so."""

    value: tuple[int, ...] = ()
    checksum: Checksum | None = None
    odd: str = ""

    @property
    def taken(self) -> tuple[int, ...]:
        """All of these bytes."""
        return self.value if self.checksum is None else (*self.value, self.checksum.at)


Found: TypeAlias = tuple[tuple[int, ...], Places, tuple[int, int, int]]
"""The bytes that are no value (between F0 and F7), the places of the others, and time, part and value."""


def sysex_voices(messages: Sequence[Timed], parts: Sequence[Part]) -> Iterator[Found]:
    """Each message with its value taken out."""
    groups: dict[tuple[int, bytes], list[Timed]] = {}
    for one in messages:
        maker = one.data[1:4] if one.data[1:2] == b"\0" else one.data[1:2]
        groups.setdefault((len(one.data), maker), []).append(one)
    for group in groups.values():
        places = value_places(group, parts)
        for one in group:
            kept = tuple(_rest(one.data, places.taken))
            yield kept[1:-1], places, (one.at, one.part, value_at(one.data, places.value))


def value_at(data: bytes, places: Sequence[int]) -> int:
    """The value that stands in some of the bytes, the most significant first."""
    value = 0
    for at in places:
        value = value << 7 | data[at]
    return value


def value_places(group: Sequence[Timed], parts: Sequence[Part]) -> Places:
    """Where the value of some messages of one length stands; nowhere where no byte changed."""
    heard = _heard(group, parts)
    varying = _varying(heard[0])
    tried = [
        (_explained(heard, places), places)
        for size in range(1, VALUE_MAX + 2)
        for places in combinations(varying, size)
    ]
    if not tried:
        return Places()
    most = max(tried)[0]
    alike = [one for one in tried if all(here >= ALIKE * best for here, best in zip(one[0], most, strict=True))]
    _, taken = max(alike or tried, key=lambda one: (-len(one[1]), one[0]))
    places = _in_order(_top(heard[0], taken)[1], taken)
    if len(places.value) > VALUE_MAX:
        return Places()
    levels = {_top(one, taken)[0] for one in heard}
    said = {one.data for one in group if _rest(one.data, taken) in levels}
    places = places._replace(odd=_digits(said, places.value))
    return places if places.checksum is None else places._replace(checksum=checksum_of(said, places.checksum.at))


def _digits(said: Iterable[bytes], value: Sequence[int]) -> str:
    """Why a profile cannot say a value whose less significant bytes carry less than seven bits; empty where they do."""
    low = {data[at] for data in said for at in value[1:]}
    for words, digits in DIGITS.items():
        if len(low) >= DIGITS_SURE and low <= set(digits):
            return f"the value is written {words}, and in a profile each byte of a value carries seven bits"
    return ""


def _heard(group: Sequence[Timed], parts: Sequence[Part]) -> list[list[bytes]]:
    """What was heard during the most telling move of each level, the most telling of all first: a sweep before other
    moves, and the one that said the most."""
    by_part: dict[int, list[bytes]] = {}
    for one in group:
        by_part.setdefault(one.part, []).append(one.data)
    telling = sorted(by_part, key=lambda part: (parts[part][0].way is not Way.SWEEP, -len(set(by_part[part]))))
    by_spot: dict[Spot | None, list[bytes]] = {}
    for part in telling:
        by_spot.setdefault(parts[part][0].spot, by_part[part][:LOOKED_AT_MAX])
    if len(by_spot) > 1:
        # While nothing is moved no level has a value.
        by_spot.pop(None, None)
    return list(by_spot.values())


def _varying(heard: Sequence[bytes]) -> list[int]:
    values = [len({data[at] for data in heard}) for at in range(len(heard[0]))]
    most = sorted((at for at, count in enumerate(values) if count > 1), key=lambda at: -values[at])
    return sorted(most[:VARYING_MAX])


def _explained(heard: Sequence[Sequence[bytes]], places: tuple[int, ...]) -> tuple[int, int]:
    """How many different messages are of levels that the other bytes tell apart: at most `ENOUGH` of each; and as many
    of each as of the level in the middle, since what falls into one rise by chance does not into most."""
    told: dict[bytes, int] = {}
    for one in heard:
        rest, series = _top(one, places)
        order = _in_order(series, places).value
        if len(order) <= VALUE_MAX and _rises(series, order) >= RISES:
            values = [value_at(data, order) for data in series]
            told[rest] = max(told.get(rest, 0), round(either_way(lambda these: len(set(climb(these))), values)))
    return sum(min(messages, ENOUGH) for messages in told.values()), len(told) * median_low(told.values() or (0,))


def _top(heard: Sequence[bytes], places: tuple[int, ...]) -> tuple[bytes, list[bytes]]:
    """The messages that agree in all other bytes: the largest such set, and these bytes."""
    by_rest: dict[bytes, list[bytes]] = {}
    for data in heard:
        by_rest.setdefault(_rest(data, places), []).append(data)
    return max(by_rest.items(), key=lambda one: len(set(one[1])))


def _rest(data: bytes, places: Sequence[int]) -> bytes:
    return bytes(byte for at, byte in enumerate(data) if at not in places)


def _in_order(series: Sequence[bytes], places: tuple[int, ...]) -> Places:
    """The places in the order in which the value rises best; a checksum comes last in a message."""
    if len(places) > 1 and is_sum(series, places[-1]):
        return Places(_best_order(series, places[:-1]), Checksum(places[-1]))
    return Places(places if len(places) > VALUE_MAX else _best_order(series, places))


def _best_order(series: Sequence[bytes], places: tuple[int, ...]) -> tuple[int, ...]:
    return max(permutations(places), key=lambda order: _rises(series, order))


def _rises(series: Sequence[bytes], order: Sequence[int]) -> float:
    """How straight the value rises, or falls, and through how many of the messages, with its bytes in this order."""
    return either_way(_risen, [value_at(data, order) for data in series])


def _risen(values: Sequence[float]) -> float:
    risen = climb(values)
    return rising(risen) * len(risen) / len(values)
