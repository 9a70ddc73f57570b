"""Whether a byte of SysEx sums up the others, and how: the kind, and the first byte that counts.

Pure. Bytes that never change add the same to every message, so whether a byte is a checksum shows before it is known
where it begins to count; that shows by its own value. Where several beginnings explain everything that was heard, the
first is taken: the bytes between them make no difference.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from functools import reduce
from itertools import product
from operator import xor
from typing import Final

from stagectl.learn.desk_voices import Checksum
from stagectl.show.sysex_template import CHECKSUM_SUM, CHECKSUM_XOR, Template

MESSAGES_MIN: Final = 3
"""Different messages that tell a checksum from chance."""


def is_sum(messages: Iterable[bytes], at: int) -> bool:
    """Whether a byte is a checksum of the others: all of them together, added modulo 128 or by exclusive or, are always
    the same; or it differs from the sum of the others by a number that is always the same."""
    different = set(messages)
    if len(different) < MESSAGES_MIN:
        return False
    added = {sum(data[1:-1]) % 128 for data in different}
    mixed = {reduce(xor, data[1:-1]) for data in different}
    plain = {(sum(data[1:-1]) - 2 * data[at]) % 128 for data in different}
    return 1 in (len(added), len(mixed), len(plain))


def checksum_of(messages: Collection[bytes], at: int) -> Checksum:
    """The kind of the checksum at a byte, and its beginning, that explain every one of these messages; without a kind
    where none does. `messages`: of one length, at least one."""
    length = len(next(iter(messages)))
    for start, word in product(range(1, at), (CHECKSUM_SUM, CHECKSUM_XOR)):
        template = Template(tuple(word if one == at else 0 for one in range(length)), start)
        if all(map(template.is_sound, messages)):
            return Checksum(at, word, start)
    return Checksum(at)
