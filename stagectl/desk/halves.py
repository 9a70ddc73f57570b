"""Values of 14 bits from their halves, as a desk and whoever listens to it put them together.

MIDI 1.0 Detailed Specification 4.2.1: a received MSB resets the LSB to 0, so a coarse part alone is a value; the LSB
that follows, or comes alone later, corrects it.
"""

from __future__ import annotations

from stagectl.desk.meaning import Part, Spot, Told
from stagectl.wire.laws import Code


class Halves:
    """The last value of each level that is said in two parts."""

    def __init__(self) -> None:
        self._codes: dict[Spot, int] = {}

    def take(self, told: Told) -> Code | None:
        """The value that was told; None for a fine part whose coarse part was never heard."""
        if told.part is Part.WHOLE:
            return told.value
        if told.part is Part.COARSE:
            code = int(told.value) << 7
        elif told.spot in self._codes:
            code = self._codes[told.spot] & ~0x7F | int(told.value)
        else:
            return None
        self._codes[told.spot] = code
        return code

    def stands(self, spot: Spot, code: Code) -> None:
        """A level came to a value in another way."""
        self._codes[spot] = int(code)

    def forget(self) -> None:
        """No value is known."""
        self._codes.clear()
