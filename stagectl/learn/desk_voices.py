"""Voices: messages of a desk that are the same but for one value.

Pure. A voice has a *shape*, which every level of a kind shares, and *numbers*, which tell the levels apart: channel and
controller, channel and parameter, the fixed bytes of SysEx, the numbers in an OSC address.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final, NamedTuple

from stagectl.show.value_laws import OSC_WHOLE, REAL, Codes
from stagectl.wire.laws import Code

NO_LEVEL: Final = "no profile says a level that way"
NO_NUMBER: Final = "it holds no number"
NO_CHANGE: Final = "none of its bytes changed"

NUMBER: Final = "#"
"""Stands for a number that tells levels apart."""

HOLE: Final = "{value}"
"""Stands for the value among OSC arguments."""

IN_TWO_PARTS: Final = ("control change pair", "nrpn", "rpn")
"""What says its value in two messages."""


class Checksum(NamedTuple):
    """A byte of SysEx that sums up others. `at`: where it stands; `word`: what a template calls its kind, empty where
    none does; `start`: the first byte that it counts."""

    at: int
    word: str = ""
    start: int = 1


class Shape(NamedTuple):
    """What all levels of a kind share. `kind` is `control change`, `control change pair`, `nrpn`, `rpn`, `sysex`, `osc`
    or the name of a message that can say no level. `bits`: the width of the value, None for real numbers. `text`: an
    OSC address with `#` for each number, else the length of SysEx. `places`: where in SysEx the value stands, most
    significant byte first; `checksum`: where it is summed up. `padded`: the width of each number of an address that
    begins with 0, else 0. `arguments`: those of OSC as a profile types them, with `#` for each number; none where the
    value stands alone. `odd`: why no profile can say it, if so."""

    kind: str
    bits: int | None = 7
    text: str = ""
    places: tuple[int, ...] = ()
    checksum: Checksum | None = None
    padded: tuple[int, ...] = ()
    arguments: tuple[str, ...] = ()
    odd: str = ""

    @property
    def codes(self) -> Codes:
        """The values that it can carry."""
        if self.bits is None:
            return REAL
        if self.kind == "osc":
            return OSC_WHOLE
        return Codes(high=(1 << self.bits) - 1, in_two_parts=self.kind in IN_TWO_PARTS)


class Voice(NamedTuple):
    """A shape with its numbers."""

    shape: Shape
    numbers: tuple[int, ...]

    def __str__(self) -> str:
        shape, numbers = self
        if shape.kind == "osc":
            arguments = "".join(f" {one}" for one in osc_arguments(shape, numbers))
            return osc_address(shape, numbers) + arguments.replace(HOLE, "..")
        if shape.kind == "sysex":
            return f"SysEx {sysex_text(shape, numbers)}"
        if not numbers:
            return shape.kind
        names = {"control change": "controller", "nrpn": "NRPN", "rpn": "RPN"}
        number = f" {numbers[1]}" if len(numbers) > 1 else ""
        if shape.kind == "control change pair":
            return f"controllers {numbers[1]} with {numbers[1] + 32} on channel {numbers[0]}"
        return f"{names.get(shape.kind, shape.kind)}{number} on channel {numbers[0]}"


def osc_address(shape: Shape, numbers: Sequence[int | str]) -> str:
    """The address with its numbers, or with words in their places."""
    left = list(zip(numbers, shape.padded, strict=False))
    return re.sub(NUMBER, lambda _: (lambda one: str(one[0]).zfill(one[1]))(left.pop(0)), shape.text)


def osc_arguments(shape: Shape, numbers: Sequence[int | str]) -> list[str]:
    """The arguments with the numbers behind those of the address, or with words in their places."""
    left = list(numbers[len(shape.padded) :])
    return [str(left.pop(0)) if one == NUMBER else one for one in shape.arguments]


def sysex_text(shape: Shape, numbers: Sequence[int | str]) -> str:
    """The bytes in hexadecimal, `..` where the value stands; words stand for themselves."""
    left = list(numbers)
    taken = (*shape.places, *((shape.checksum.at,) if shape.checksum else ()))
    body = [".." if at in taken else _hexadecimal(left.pop(0)) for at in range(1, int(shape.text) - 1)]
    return " ".join(["F0", *body, "F7"])


def _hexadecimal(one: int | str) -> str:
    return f"{one:02X}" if isinstance(one, int) else one


class Sample(NamedTuple):
    """A value that a voice said. `at`: ns; `part`: during which move."""

    at: int
    part: int
    value: Code


@dataclass
class Voices:
    """Everything that one link said. `background`: real-time messages, by name; `odd`: what was left out, by reason;
    `refused`: the OSC addresses of which something could not be read, by move."""

    series: dict[Voice, list[Sample]] = field(default_factory=dict)
    background: Counter[str] = field(default_factory=Counter)
    odd: Counter[str] = field(default_factory=Counter)
    refused: dict[int, set[str]] = field(default_factory=dict)
    heard: int = 0

    def add(self, voice: Voice, sample: Sample) -> None:
        """One value more."""
        self.series.setdefault(voice, []).append(sample)

    def is_refused(self, voice: Voice, part: int) -> bool:
        """Whether something that this voice said during a move could not be read."""
        shape, numbers = voice
        return shape.kind == "osc" and osc_address(shape, numbers) in self.refused.get(part, ())
