"""Values of 14 bits from their halves, as a desk and whoever listens to it put them together.

MIDI 1.0 Detailed Specification 4.2.1: a received MSB resets the LSB to 0, so a coarse part alone is a value; the LSB
that follows, or comes alone later, corrects it. Where it never comes, the coarse part says no more than in which
stretch of 128 values the level is.
"""

from __future__ import annotations

from stagectl.desk.meaning import Part, Spot, Told
from stagectl.wire.laws import Code


class Halves:
    """The last value of each level that is said in two parts."""

    def __init__(self) -> None:
        self._codes: dict[Spot, int] = {}
        self._halves: set[Spot] = set()
        """Spots of which the last that was said is a coarse part."""

    def take(self, told: Told) -> Code | None:
        """The value that was told; None for a fine part whose coarse part was never heard."""
        self._halves.discard(told.spot)
        if told.part is Part.WHOLE:
            return told.value
        if told.part is Part.COARSE:
            code = int(told.value) << 7
            self._halves.add(told.spot)
        elif told.spot in self._codes:
            code = self._codes[told.spot] & ~0x7F | int(told.value)
        else:
            return None
        self._codes[told.spot] = code
        return code

    def may_be(self, spot: Spot, code: Code) -> bool:
        """Whether no more than a coarse part was said last, and this value is in its stretch."""
        return spot in self._halves and int(code) >> 7 == self._codes[spot] >> 7

    def stands(self, spot: Spot, code: Code) -> None:
        """A level came to a value in another way."""
        self._halves.discard(spot)
        self._codes[spot] = int(code)

    def forget(self) -> None:
        """No value is known."""
        self._codes.clear()
        self._halves.clear()
