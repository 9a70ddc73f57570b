"""What a MIDI channel remembers between messages: the selected parameter and the bank.

MIDI 1.0 Detailed Specification 4.2.1: controllers 99 and 98 select a non-registered parameter, 101 and 100 a registered
one, data entry goes to the one selected last; the registered parameter 7F/7F is null. Each half of a number stays until
it is said again.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final, NamedTuple

from stagectl.wire import midi

_HALVES: Final = {
    midi.RPN_MSB: (True, 0),
    midi.RPN_LSB: (True, 1),
    midi.NRPN_MSB: (False, 0),
    midi.NRPN_LSB: (False, 1),
}


class Parameter(NamedTuple):
    """A parameter's kind and number."""

    registered: bool
    number: int


@dataclass(slots=True)
class ChannelState:
    """One channel. A half of a number is None until it was heard."""

    registered: bool = False
    numbers: dict[bool, list[int | None]] = field(default_factory=lambda: {True: [None, None], False: [None, None]})
    bank_msb: int = 0
    bank_lsb: int = 0

    def select(self, control: int, value: int) -> None:
        """Half of a parameter's number."""
        self.registered, half = _HALVES[control]
        self.numbers[self.registered][half] = value

    @property
    def parameter(self) -> Parameter | None:
        """The parameter that data entry goes to; None where there is none."""
        msb, lsb = self.numbers[self.registered]
        if msb is None or lsb is None or (self.registered and msb * 128 + lsb == midi.NULL_PARAMETER):
            return None
        return Parameter(self.registered, msb * 128 + lsb)

    def choose_bank(self, control: int, value: int) -> None:
        """A bank number's part; it changes nothing until a program change comes."""
        if control == midi.BANK_MSB:
            self.bank_msb, self.bank_lsb = value, 0
        else:
            self.bank_lsb = value

    @property
    def bank(self) -> int:
        """The chosen bank."""
        return self.bank_msb * 128 + self.bank_lsb
