"""From a pedal's bytes to events for the core.

A note on with velocity 0 is a note off (MIDI 1.0). Clock and active sensing say nothing about a foot: they are
counted, not recorded. Everything else that no control stands for is an event too, so that it can be refused with
its reason.
"""

from __future__ import annotations

from collections import Counter
from typing import Final

from stagectl.core.events import Event, Moved, Unmapped
from stagectl.errors import WireError
from stagectl.show.hearing import OSC_TOP, HearControl, HearNote, HearOsc, HearProgram
from stagectl.show.mapping import MappingModel
from stagectl.wire import midi
from stagectl.wire.osc import Argument, OscMessage, osc_text, parse

BACKGROUND: Final = {0xF8: "clock", 0xFE: "active sensing", 0xF9: "undefined real-time", 0xFD: "undefined real-time"}

SAID_MAX: Final = 60
"""Characters of an unknown message that are recorded."""


class MidiEar:
    """Hears one pedal over MIDI. `counted`: background messages, by their name."""

    def __init__(self, pedal: int, mapping: MappingModel) -> None:
        self.pedal = pedal
        self.counted: Counter[str] = Counter()
        self._controls: dict[tuple[int, int, int], int] = {}
        for at, control in enumerate(mapping.controls.values()):
            sends = control.sends
            if isinstance(sends, HearNote):
                self._add(midi.NOTE_ON, sends.note, sends.channel, at)
            elif isinstance(sends, HearControl):
                self._add(midi.CONTROL, sends.control_change, sends.channel, at)
            elif isinstance(sends, HearProgram):
                self._add(midi.PROGRAM, sends.program, sends.channel, at)

    def _add(self, kind: int, number: int, channel: int, at: int) -> None:
        """Channel 0 is any channel; a control on the very channel goes before one on any."""
        for one in range(1, 17) if channel == 0 else (channel,):
            if channel:
                self._controls[kind, number, one] = at
            else:
                self._controls.setdefault((kind, number, one), at)

    def hear(self, packet: bytes) -> list[Event]:
        """The events of one whole message."""
        if not packet or packet[0] in BACKGROUND:
            self.counted[BACKGROUND[packet[0]] if packet else "empty"] += 1
            return []
        kind, channel = packet[0] & 0xF0, (packet[0] & 0x0F) + 1
        value = 127
        if kind in (midi.NOTE_ON, midi.NOTE_OFF, midi.CONTROL):
            if len(packet) != 3:
                return [self._unknown(packet)]
            value = 0 if kind == midi.NOTE_OFF else packet[2]
            kind = midi.NOTE_ON if kind == midi.NOTE_OFF else kind
        elif kind != midi.PROGRAM or len(packet) != 2:
            return [self._unknown(packet)]
        at = self._controls.get((kind, packet[1], channel))
        if at is None:
            return [self._unknown(packet)]
        return [Moved(pedal=self.pedal, control=at, value=value)]

    def _unknown(self, packet: bytes) -> Unmapped:
        return Unmapped(pedal=self.pedal, said=midi.hex_text(packet)[:SAID_MAX])


class OscEar:
    """Hears one pedal over OSC."""

    def __init__(self, pedal: int, mapping: MappingModel) -> None:
        self.pedal = pedal
        self.counted: Counter[str] = Counter()
        self._controls: dict[str, tuple[int, float]] = {
            control.sends.osc: (at, control.sends.top)
            for at, control in enumerate(mapping.controls.values())
            if isinstance(control.sends, HearOsc)
        }

    def hear(self, packet: bytes) -> list[Event]:
        """The events of one packet."""
        try:
            messages = parse(packet)
        except WireError as error:
            return [Unmapped(pedal=self.pedal, said=str(error)[:SAID_MAX])]
        return [event for message in messages for event in self._message(message)]

    def _message(self, message: OscMessage) -> list[Event]:
        found = self._controls.get(message.address)
        if found is None:
            return [Unmapped(pedal=self.pedal, said=osc_text(message)[:SAID_MAX])]
        at, top = found
        if not message.arguments:
            moves = (OSC_TOP, 0)
            return [Moved(pedal=self.pedal, control=at, value=value) for value in moves]
        value = _number(message.arguments[0])
        if value is None:
            return [Unmapped(pedal=self.pedal, said=osc_text(message)[:SAID_MAX])]
        # Far outside is outside, whatever its size; the core refuses it with the reason.
        steps = round(min(max(value / top, -1.0), 2.0) * OSC_TOP)
        return [Moved(pedal=self.pedal, control=at, value=steps)]


def _number(argument: Argument) -> float | None:
    return float(argument) if isinstance(argument, int | float) else None
