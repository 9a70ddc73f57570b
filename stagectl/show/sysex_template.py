"""SysEx templates: hexadecimal bytes in which words stand for numbers, values and checksums.

A value takes one byte (`{value}`), two (`{value msb}` and `{value lsb}`) or three (`{value mid}` between them in
weight), seven bits each, in any order. `{checksum sum}` is what makes the seven-bit sum of the bytes before it 0 (the
two's complement), `{checksum xor}` is their exclusive or; `{from here}` marks the first byte that counts, which else is
the one after F0.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from functools import cached_property, reduce
from operator import xor
from typing import Any, Final

from msgspec import Struct

from stagectl.errors import WireError
from stagectl.show.values import Typed, plain, said
from stagectl.show.yamltext import shown
from stagectl.wire import midi
from stagectl.wire.midi import SYSEX_MAX

INPUT, MIX = "input", "mix"
VALUE, VALUE_MSB, VALUE_MID, VALUE_LSB = "value", "value msb", "value mid", "value lsb"
CHECKSUM_SUM, CHECKSUM_XOR = "checksum sum", "checksum xor"
FROM_HERE: Final = "from here"

WORDS: Final = (INPUT, MIX, VALUE, VALUE_MSB, VALUE_MID, VALUE_LSB, CHECKSUM_SUM, CHECKSUM_XOR, FROM_HERE)
_VALUES: Final = ([VALUE], [VALUE_MSB, VALUE_LSB], [VALUE_MSB, VALUE_MID, VALUE_LSB])
"""The words of a value of one, two and three bytes, the most significant first."""

_CHECKSUMS: Final = {
    CHECKSUM_SUM: lambda covered: -sum(covered) & 0x7F,
    CHECKSUM_XOR: lambda covered: reduce(xor, covered, 0),
}


class Template(Struct, frozen=True, dict=True):
    """A number of `parts` is that byte, a text the byte that its word stands for. `start`: the first part that a
    checksum counts."""

    parts: tuple[int | str, ...]
    start: int = 1

    @cached_property
    def words(self) -> frozenset[str]:
        """The words in it."""
        return frozenset(part for part in self.parts if isinstance(part, str))

    @cached_property
    def value_words(self) -> list[str]:
        """The words of its value, the most significant first; none where it is a question."""
        return [word for word in _VALUES[2] + _VALUES[0] if word in self.words]

    def fill(self, words: Mapping[str, int], value: int = 0) -> bytes:
        """The message. Raises WireError where a number or the value does not fit."""
        width = 7 * len(self.value_words)
        if self.value_words and not 0 <= value < 1 << width:
            raise WireError(f"value {value} is outside 0 to {(1 << width) - 1}")
        known = dict(words)
        for at, word in enumerate(reversed(self.value_words)):
            known[word] = value >> 7 * at & 0x7F
        out: list[int] = []
        for part in self.parts:
            byte = part if isinstance(part, int) else self._byte(part, out, known)
            out.append(byte)
        if any(not 0 <= byte <= 127 for byte in out[1:-1]):
            raise WireError("an input or mix number does not fit in a SysEx byte (0 to 127)")
        return midi.sysex(bytes(out))

    def _byte(self, word: str, before: Sequence[int], known: Mapping[str, int]) -> int:
        return _CHECKSUMS[word](before[self.start :]) if word in _CHECKSUMS else known[word]

    def match(self, message: bytes) -> dict[str, int] | None:
        """What the words stand for in a message, checksums unchecked; None where it is another message."""
        if len(self.parts) != len(message):
            return None
        words: dict[str, int] = {}
        for part, byte in zip(self.parts, message, strict=True):
            if isinstance(part, int):
                if part != byte:
                    return None
            elif part not in _CHECKSUMS and words.setdefault(part, byte) != byte:
                return None
        return words

    def is_sound(self, message: bytes) -> bool:
        """Whether the checksums of a message that matches are right."""
        return all(
            _CHECKSUMS[part](message[self.start : at]) == message[at]
            for at, part in enumerate(self.parts)
            if isinstance(part, str) and part in _CHECKSUMS
        )

    def value(self, words: Mapping[str, int]) -> int:
        """The value that the words of a match make."""
        return reduce(lambda value, word: value << 7 | words[word], self.value_words, 0)


class TemplateText(Typed, frozen=True):
    """A template as it is typed. `asks`: a question, which has no value in it."""

    asks: bool = False

    def parse(self, typed: Any) -> Template:
        known = [word for word in WORDS if not (self.asks and word in (*_VALUES[0], *_VALUES[2]))]
        parts, start = _parts(typed, known)
        fixed = [part for part in parts if isinstance(part, int)]
        if len(parts) > SYSEX_MAX:
            raise ValueError(f"a SysEx template of {len(parts)} bytes is longer than {SYSEX_MAX}")
        if parts[:1] != [midi.SYSEX] or parts[-1:] != [midi.SYSEX_END] or any(byte > 0x7F for byte in fixed[1:-1]):
            raise ValueError(f"{said(typed)}: a SysEx template begins with F0 and ends with F7, with 00 to 7F between")
        template = Template(tuple(parts), start)
        if not self.asks and template.value_words not in _VALUES:
            raise ValueError(f"{said(typed)}: either {{value}}, or both {{value msb}} and {{value lsb}} are needed")
        return template

    def schema(self) -> dict[str, Any]:
        return {"type": "string", "pattern": "^[Ff]0.*[Ff]7$"}


def _parts(typed: Any, known: Sequence[str]) -> tuple[list[int | str], int]:
    """The parts, and where checksums begin to count."""
    parts: list[int | str] = []
    start = None
    for word, pair, other in re.findall(r"\{([^}]*)\}|([0-9A-Fa-f]{2})|(\S)", plain(typed)):
        if other or (not pair and word not in known):
            allowed = ", ".join(f"{{{one}}}" for one in known)
            raise ValueError(f"{said(typed)}: `{shown(word or other)}` is neither two hexadecimal digits nor {allowed}")
        if word != FROM_HERE:
            parts.append(word or int(pair, 16))
        elif start is not None or not parts:
            raise ValueError(f"{said(typed)}: {{from here}} stands once, behind F0")
        else:
            start = len(parts)
    checksums = [at for at, part in enumerate(parts) if part in _CHECKSUMS]
    if start is not None and (not checksums or start >= checksums[0]):
        raise ValueError(f"{said(typed)}: {{from here}} stands before the bytes that the checksum counts")
    return parts, 1 if start is None else start
