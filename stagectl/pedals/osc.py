"""From a pedal's OSC packets to events. Source: OSC 1.0.

A message without a number is a press, and says nothing of how long it lasts. A switch that says when it is let go
(`says up`) is down and up with it, one that does not is only down, and a latching one clicks over to its other state.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Final, TypeAlias

from stagectl.core.events import Moved, Unmapped
from stagectl.errors import WireError
from stagectl.pedals.unknown import SAID_MAX
from stagectl.show.hearing import OSC_TOP, HearOsc
from stagectl.show.mapping import ControlModel, MappingModel
from stagectl.wire.osc import Argument, OscMessage, osc_text, read

Heard: TypeAlias = Moved | Unmapped

FAR: Final = 1_000_000.0
"""Numbers further outside than this, in times of the top, are taken for it."""


class OscEar:
    """Hears one pedal over OSC."""

    def __init__(self, pedal: int, mapping: MappingModel) -> None:
        self.pedal = pedal
        self.counted: Counter[str] = Counter()
        self._controls: dict[str, tuple[int, float, ControlModel]] = {
            control.sends.osc: (at, control.sends.sent_top, control)
            for at, control in enumerate(mapping.controls.values())
            if isinstance(control.sends, HearOsc)
        }
        self._on: set[int] = set()  # The latching switches that are on, by what they said last.

    def reset(self) -> None:
        """Packets are whole; only which switches are on is forgotten."""
        self._on.clear()

    def hear(self, packet: bytes) -> list[Heard]:
        """The events of one packet."""
        return hear_by([self], packet)

    def knows(self, address: str) -> bool:
        """Whether a control of the pedal sends to an address."""
        return address in self._controls

    def unknown(self, said: str) -> Unmapped:
        """What no control stands for."""
        return Unmapped(pedal=self.pedal, said=said[:SAID_MAX])

    def message(self, message: OscMessage) -> list[Heard]:
        """The events of one message."""
        found = self._controls.get(message.address)
        if found is None:
            return [self.unknown(osc_text(message))]
        at, top, control = found
        if not message.arguments and control.turn is None:
            return [Moved(pedal=self.pedal, control=at, value=value) for value in self._press(at, control)]
        value = _number(message.arguments[0]) if message.arguments else None
        if value is None:
            return [self.unknown(osc_text(message))]
        # Far outside is outside, whatever its size; the core refuses it with the reason.
        steps = round(min(max(value / top, -FAR), FAR) * OSC_TOP)
        (self._on.add if steps * 2 > OSC_TOP else self._on.discard)(at)
        return [Moved(pedal=self.pedal, control=at, value=steps)]

    def _press(self, at: int, control: ControlModel) -> tuple[int, ...]:
        """The values that a message without a number stands for."""
        down, up = (0, OSC_TOP) if control.rests == "closed" else (OSC_TOP, 0)
        if not control.gives_release:
            return (down,)
        if not control.latching:
            return (down, up)
        self._on ^= {at}
        return (OSC_TOP if at in self._on else 0,)


def hear_by(ears: Sequence[OscEar], packet: bytes) -> list[Heard]:
    """The events of a packet that one of several pedals has sent. Each message is heard by the one that knows its
    address; what nobody knows, by the first of those that know anything of the packet, else by the first of all."""
    try:
        found = read(packet)
    except WireError as error:
        return [ears[0].unknown(str(error))]
    whose = [next((ear for ear in ears if ear.knows(message.address)), None) for message in found.messages]
    other = next((ear for ear in ears if ear in whose), ears[0])
    events = [
        event
        for ear, message in zip(whose, found.messages, strict=True)
        for event in (other if ear is None else ear).message(message)
    ]
    return events + [other.unknown(why) for why in found.discarded]


def _number(argument: Argument) -> float | None:
    return float(argument) if isinstance(argument, int | float) else None
