"""From a pedal's OSC packets to events. Source: OSC 1.0."""

from __future__ import annotations

from collections import Counter

from stagectl.core.events import Event, Moved, Unmapped
from stagectl.errors import WireError
from stagectl.pedals.unknown import SAID_MAX
from stagectl.show.hearing import OSC_TOP, HearOsc
from stagectl.show.mapping import MappingModel
from stagectl.wire.osc import Argument, OscMessage, osc_text, read


class OscEar:
    """Hears one pedal over OSC."""

    def __init__(self, pedal: int, mapping: MappingModel) -> None:
        self.pedal = pedal
        self.counted: Counter[str] = Counter()
        self._controls: dict[str, tuple[int, float, bool]] = {
            control.sends.osc: (at, control.sends.argument_top, control.turn is not None)
            for at, control in enumerate(mapping.controls.values())
            if isinstance(control.sends, HearOsc)
        }

    def reset(self) -> None:
        """Packets are whole: there is nothing to forget."""

    def hear(self, packet: bytes) -> list[Event]:
        """The events of one packet."""
        try:
            found = read(packet)
        except WireError as error:
            return [self._unknown(str(error))]
        events = [event for message in found.messages for event in self._message(message)]
        return events + [self._unknown(why) for why in found.discarded]

    def _unknown(self, said: str) -> Event:
        return Unmapped(pedal=self.pedal, said=said[:SAID_MAX])

    def _message(self, message: OscMessage) -> list[Event]:
        found = self._controls.get(message.address)
        if found is None:
            return [self._unknown(osc_text(message))]
        at, top, turns = found
        if not message.arguments and not turns:
            # A press, and nothing of how long it lasts.
            moves = (OSC_TOP, 0)
            return [Moved(pedal=self.pedal, control=at, value=value) for value in moves]
        value = _number(message.arguments[0]) if message.arguments else None
        if value is None:
            return [self._unknown(osc_text(message))]
        # Far outside is outside, whatever its size; the core refuses it with the reason.
        steps = round(min(max(value / top, -1.0), 2.0) * OSC_TOP)
        return [Moved(pedal=self.pedal, control=at, value=steps)]


def _number(argument: Argument) -> float | None:
    return float(argument) if isinstance(argument, int | float) else None
