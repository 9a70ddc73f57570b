"""Whether values that come in a row are those of one switch or treadle, and which SysEx messages say such values.

Pure. The theory, for SysEx messages of one length that are the same but for one byte:

- A switch that says down and up sends two messages in turn. Two switches that send a message each, pressed several
  times one after the other, say the same again, and so do not.
- A treadle goes through many values that come closely. Switches that send their number come one by one.
- Where more than one byte differs (a checksum, a value of 14 bits), nothing is told: each message is by itself.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Final, NamedTuple

from stagectl.wire.midi import SYSEX

STEPPED_NS: Final = 250_000_000
"""Values that never come closer than this are pressed one by one, not turned through."""

NEAR_SHARE: Final = 0.1
"""Two values closer than this share of the range are a treadle that barely moved, not a switch."""

IN_TURN_MIN: Final = 3
"""Messages of two values that show that they come in turn."""

MANY: Final = 5
"""Values from which on a byte may be a treadle's."""

LENGTH_MAX: Final = 32
"""The longest message that is looked at, bytes; what is longer is no foot's."""

PLACES_MAX: Final = 4
"""Bytes that may differ alone, of messages of one length: a value, the number of what it is of. Where it is more, the
messages are no controls', and none says a value."""

_TOP: Final = 127


class _Group(NamedTuple):
    """Messages that are the same but for the byte at `place`. `values`: how many that byte took; `close`: how often it
    was said closely after another."""

    place: int
    packets: frozenset[bytes]
    values: int
    close: int


def places_of_values(packets: Sequence[tuple[int, bytes]]) -> dict[bytes, int]:
    """For each SysEx message that says a value, where in it that stands. `packets`: times (ns, rising) and whole
    messages. Messages that are the same but for that byte all have it at the same place."""
    by_length: defaultdict[int, list[tuple[int, bytes]]] = defaultdict(list)
    for at, packet in packets:
        if packet[0] == SYSEX and len(packet) <= LENGTH_MAX:
            by_length[len(packet)].append((at, packet))
    found: dict[bytes, int] = {}
    for alike in by_length.values():
        places = _differing(alike)
        if len(places) > PLACES_MAX:
            continue
        groups = [group for place in places for group in _groups(alike, place)]
        # Where a message fits into two, many values are more likely than few, and a foot that lets go than two feet.
        for group in sorted(groups, key=lambda one: (-one.values, -one.close, one.place)):
            if found.keys().isdisjoint(group.packets):
                found |= dict.fromkeys(group.packets, group.place)
    return found


def _differing(packets: Sequence[tuple[int, bytes]]) -> set[int]:
    """The places of bytes by which alone a message differs from the one before."""
    places = set()
    for (_, before), (_, after) in pairwise(packets):
        if before != after:
            place = next(at for at, (one, other) in enumerate(zip(before, after, strict=True)) if one != other)
            if before[place + 1 :] == after[place + 1 :]:
                places.add(place)
    return places


def _groups(packets: Sequence[tuple[int, bytes]], place: int) -> Iterator[_Group]:
    """The messages that are the same but for the byte at `place`, where that is one control's value."""
    alike: defaultdict[bytes, list[tuple[int, bytes]]] = defaultdict(list)
    for at, packet in packets:
        alike[packet[:place] + packet[place + 1 :]].append((at, packet))
    for some in alike.values():
        values = [packet[place] for _, packet in some]
        close = sum(later - earlier < STEPPED_NS for (earlier, _), (later, _) in pairwise(some))
        if _is_one(values, close):
            yield _Group(place, frozenset(packet for _, packet in some), len(set(values)), close)


def _is_one(values: Sequence[int], close: int) -> bool:
    """Whether the values are one control's."""
    if len(set(values)) >= MANY:
        return 2 * close > len(values) - 1
    low, high = min(values), max(values)
    in_turn = len(values) >= IN_TURN_MIN and all(one != other for one, other in pairwise(values))
    return len(set(values)) == 2 and in_turn and (low == 0 or high - low >= NEAR_SHARE * _TOP)
