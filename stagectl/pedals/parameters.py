"""Which parameter of a channel data entry is for, and which bank a program is of.

MIDI 1.0 Detailed Specification 4.2.1: two controllers select a parameter by its number, 99 and 98 a non-registered one,
101 and 100 a registered one; data entry is for the parameter selected last; 7F/7F selects none. The order of the two is
left open, and either may be lost on the way. So both are needed for each selection: a number half of which is left
over from the one before is none.

A bank is selected by two controllers, 0 and 32, before the program change. Senders that only use one of them leave the
other out, and it counts as 0; they may come in any order.
"""

from __future__ import annotations

from typing import Final, NamedTuple

from stagectl.wire import midi

_PARTS: Final = {
    midi.RPN_MSB: (True, 0),
    midi.RPN_LSB: (True, 1),
    midi.NRPN_MSB: (False, 0),
    midi.NRPN_LSB: (False, 1),
}
SELECTING: Final = frozenset(_PARTS)
NULL: Final = 0x3FFF

NO_MSB: Final = "an LSB with no MSB before it"


class Parameter(NamedTuple):
    """A parameter's kind and number, 0 to 16,382."""

    registered: bool
    number: int


class Selection:
    """The selection of one channel."""

    def __init__(self) -> None:
        self._registered = False
        self._halves: list[int | None] = [None, None]
        self._used = False

    def select(self, control: int, value: int) -> None:
        """Half of a number. It begins a new one after data entry, after a whole number, and for the other kind."""
        registered, half = _PARTS[control]
        if self._used or registered != self._registered or None not in self._halves:
            self._halves = [None, None]
        self._registered, self._used = registered, False
        self._halves[half] = value

    def use(self) -> Parameter | None:
        """The parameter that data entry is for; None where none is selected."""
        self._used = True
        msb, lsb = self._halves
        if msb is None or lsb is None or msb * 128 + lsb == NULL:
            return None
        return Parameter(self._registered, msb * 128 + lsb)


class Bank:
    """The bank of one channel."""

    def __init__(self) -> None:
        self._halves = {midi.BANK_MSB: 0, midi.BANK_LSB: 0}
        self._used = False

    def select(self, control: int, value: int) -> None:
        """Half of a number. It begins a new one after a program change."""
        if self._used:
            self._halves = dict.fromkeys(self._halves, 0)
        self._used = False
        self._halves[control] = value

    def use(self) -> int:
        """The bank, 0 to 16,383, that a program change is of."""
        self._used = True
        return self._halves[midi.BANK_MSB] * 128 + self._halves[midi.BANK_LSB]
