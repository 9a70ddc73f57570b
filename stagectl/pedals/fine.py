"""A value of 14 bits that arrives in two halves, and when it counts.

MIDI 1.0 Detailed Specification 4.2.1: the MSB comes first and resets the LSB to 0; the LSB may come alone for a fine
change. Taken literally, a treadle that goes from 63/120 to 64/5 and back would pass through 64/0 and 63/0: each
way down ends with a dip. So

- with an LSB the value counts at once: it is whole;
- an MSB from a sender that has sent no LSB yet counts at once, with LSB 0;
- after the first LSB, an MSB waits for its own. It counts, with LSB 0, as soon as something else comes in its place,
  or when `settle` says that the wire has been quiet for `PAIR_WAIT_NS`.

So a change is one event, and no event lies outside the way from the old value to the new one. An LSB before any MSB is
half a value, which is none.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from stagectl.show.hearing import FINE_TOP

PAIR_WAIT_NS: Final = 5_000_000
"""How long an MSB waits for its LSB on a quiet wire: several times the 960 µs that it takes on a DIN link."""


@dataclass(slots=True)
class Fine:
    """One value. `msb` None: nothing was said yet."""

    msb: int | None = None
    lsb: int = 0
    pairs: bool = False
    waits: bool = False

    @property
    def value(self) -> int | None:
        """0 to 16,383."""
        return None if self.msb is None else self.msb * 128 + self.lsb

    def coarse(self, msb: int) -> int | None:
        """The value that an MSB makes; None where it waits for its LSB."""
        self.msb, self.lsb, self.waits = msb, 0, self.pairs
        return None if self.waits else self.value

    def fine(self, lsb: int) -> int | None:
        """The value that an LSB makes; None where there was no MSB."""
        if self.msb is None:
            return None
        self.lsb, self.pairs, self.waits = lsb, True, False
        return self.value

    def step(self, way: int) -> int | None:
        """The value one step on (+1) or back (-1), within the bounds; None where it was never said. A step is the last
        place that the sender uses: an LSB where it sends any, else an MSB."""
        if self.value is None:
            return None
        unit = 1 if self.pairs else 128
        self.msb, self.lsb = divmod(min(max(self.value + way * unit, 0), FINE_TOP), 128)
        return self.value

    def settle(self) -> int | None:
        """The value of an MSB whose LSB does not come; None where none waits."""
        waited, self.waits = self.waits, False
        return self.value if waited else None
