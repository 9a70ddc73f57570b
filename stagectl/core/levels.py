"""Levels of a send, in integer hundredths of a dB, and `off`.

Integers make undo exact and replay byte for byte the same; hundredths are finer than any desk's steps
that matter to an ear (the just-noticeable difference is some 0.5 to 1 dB).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from enum import Enum
from typing import Final, TypeAlias


class Off(Enum):
    """The level of a send that passes nothing. It is a value of its own, not a very small number."""

    OFF = "off"

    def __repr__(self) -> str:
        return "OFF"


OFF: Final = Off.OFF

Level: TypeAlias = int | Off
"""Hundredths of a dB, or OFF."""

LEVEL_MIN: Final = -12_000
"""The lowest level that a file may name: -120 dB. What is lower is `off`."""

LEVEL_MAX: Final = 2_000
"""The highest level that a file may name: +20 dB. No desk's send goes further up."""


def hundredths(db: float) -> int:
    """The nearest hundredth of a dB to `db` (dB), halves away from zero.

    Raises ValueError where `db` is not a finite number.
    """
    if not math.isfinite(db):
        raise ValueError(f"{db} is not a finite number of dB")
    scaled = abs(db) * 100
    return int(math.copysign(math.floor(scaled + 0.5 + 1e-9), db))


def as_db(level: Level) -> float | str:
    """The level as JSON says it: a number of dB, or the text `off`."""
    return "off" if isinstance(level, Off) else level / 100


Shown: TypeAlias = int | str | None
"""Hundredths of a dB, the text `off`, or None where the level is not known or the show does not drive it."""


def shown(level: Level | None) -> Shown:
    """The level as boards and maps say it in JSON."""
    return "off" if isinstance(level, Off) else level


def text(level: Level | None) -> str:
    """The level as a musician reads it: `-6 dB`, `+1.5 dB`, `off`, or `unknown`."""
    if level is None:
        return "unknown"
    if isinstance(level, Off):
        return "off"
    return f"{change_text(level)} dB" if level else "0 dB"


def change_text(hundredths_: int) -> str:
    """A signed number of dB without its unit: `+1.5`, `-6`, `0`."""
    if hundredths_ == 0:
        return "0"
    return f"{hundredths_ / 100:+.2f}".rstrip("0").rstrip(".")


def plain_text(hundredths_: int) -> str:
    """A number of dB without its unit, as files write it: without a plus."""
    return change_text(hundredths_).removeprefix("+")


def height(level: Level) -> int:
    """A number to compare levels by: OFF is below everything."""
    return -(10**9) if isinstance(level, Off) else level


def uncorrelated_sum(levels: Iterable[Level]) -> Level:
    """The level of uncorrelated signals together: 10·log10 Σ 10^(L/10), in hundredths of a dB.

    Two equal levels give 3.01 dB more than one of them. OFF adds nothing; nothing at all is OFF.
    """
    power = math.fsum(10 ** (level / 1000) for level in levels if not isinstance(level, Off))
    return hundredths(10 * math.log10(power)) if power > 0 else OFF
