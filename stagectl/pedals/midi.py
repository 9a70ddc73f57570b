"""From a pedal's MIDI bytes to events.

Source: MIDI 1.0 Detailed Specification 4.2.1. The bytes are taken as a stream: running status and real-time bytes
inside messages are understood, and what is no whole message is counted and makes no event. A note on with velocity 0 is
a note off. Bank select alone changes nothing: it says which bank the next program is of. Clock, time code and active
sensing say nothing about a foot: they are counted.
"""

from __future__ import annotations

from collections import Counter
from typing import Final

from stagectl.core.events import Event, Moved, Unmapped
from stagectl.pedals.fine import Fine
from stagectl.pedals.parameters import NO_MSB, SELECTING, Bank, Parameter, Selection
from stagectl.pedals.unknown import BACKGROUND, SAID_MAX
from stagectl.show.hearing import (
    ANY_BYTE,
    VALUE,
    VALUE_LSB,
    Hear,
    HearChannelPressure,
    HearControl,
    HearControlPair,
    HearKeyPressure,
    HearNote,
    HearNrpn,
    HearPitchBend,
    HearProgram,
    HearRealtime,
    HearRpn,
    HearSong,
    HearSysEx,
    Pattern,
)
from stagectl.show.mapping import MappingModel
from stagectl.wire import midi
from stagectl.wire.stream import REALTIME_FIRST, MidiStream

EMPTY: Final = "empty"
NO_VALUE: Final = "an increment or decrement of a value that was not said"
NO_PARAMETER: Final = "data entry with no parameter selected"

_DATA_ENTRY: Final = (midi.DATA_MSB, midi.DATA_LSB, midi.INCREMENT, midi.DECREMENT)
_BANK: Final = (midi.BANK_MSB, midi.BANK_LSB)


class MidiEar:
    """Hears one pedal over MIDI. `counted`: background messages and bytes that were no whole message, by reason.

    `settle` has to be called when `waiting` and the pedal has been quiet for `fine.PAIR_WAIT_NS`.
    """

    def __init__(self, pedal: int, mapping: MappingModel) -> None:
        self.pedal = pedal
        self.counted: Counter[str] = Counter()
        self._stream = MidiStream(self.counted)
        self._plain: dict[tuple[int, int, int], int] = {}
        self._pairs: dict[tuple[int, int], int] = {}
        self._parameters: dict[tuple[Parameter, int], int] = {}
        self._programs: dict[tuple[int, int, int], int] = {}
        self._whole: dict[bytes, int] = {}
        self._patterns: dict[int, list[tuple[Pattern, int]]] = {}
        for at, control in enumerate(mapping.controls.values()):
            self._add(at, control.sends)
        self._with_parameters = {channel for _, channel in self._parameters}
        self._with_banks = {channel for _, _, channel in self._programs}
        self._with_banks |= {channel for kind, _, channel in self._plain if kind == midi.PROGRAM}
        self._forget()

    def _add(self, at: int, sends: Hear) -> None:
        if isinstance(sends, HearSysEx):
            self._patterns.setdefault(len(sends.sysex), []).append((sends.sysex, at))
        elif isinstance(sends, HearRealtime):
            self._whole[midi.realtime(sends.realtime)] = at
        elif isinstance(sends, HearSong):
            self._whole[midi.song_select(sends.song_select)] = at
        else:
            channel = int(getattr(sends, "channel", 0))
            for one in (channel,) if channel else range(1, 17):
                self._add_on(at, sends, one)

    def _add_on(self, at: int, sends: Hear, channel: int) -> None:
        match sends:
            case HearNote():
                self._plain[midi.NOTE_ON, sends.note, channel] = at
            case HearControl():
                self._plain[midi.CONTROL, sends.control_change, channel] = at
            case HearKeyPressure():
                self._plain[midi.KEY_PRESSURE, sends.key_pressure, channel] = at
            case HearChannelPressure():
                self._plain[midi.CHANNEL_PRESSURE, 0, channel] = at
            case HearPitchBend():
                self._plain[midi.PITCH_BEND, 0, channel] = at
            case HearProgram(bank=None):
                self._plain[midi.PROGRAM, sends.program, channel] = at
            case HearProgram(bank=int(bank)):
                self._programs[bank, sends.program, channel] = at
            case HearControlPair():
                self._pairs[sends.control_change_pair, channel] = at
            case HearNrpn():
                self._parameters[Parameter(False, sends.nrpn), channel] = at
            case HearRpn():
                self._parameters[Parameter(True, sends.rpn), channel] = at

    def _forget(self) -> None:
        self._fines: dict[tuple[int, int], Fine] = {}
        self._waiting: tuple[int, Fine, bytes] | None = None
        self._selections: dict[int, Selection] = {}
        self._banks: dict[int, Bank] = {}

    def reset(self) -> None:
        """The port went away: half messages, halves of values, selected parameters and banks are forgotten."""
        self._stream.reset()
        self._forget()

    def hear(self, packet: bytes) -> list[Event]:
        """The events of some bytes, with those that were left incomplete before."""
        if not packet:
            self.counted[EMPTY] += 1
        events: list[Event] = []
        for message in self._stream.feed(packet):
            events += self._message(message)
        return events

    @property
    def waiting(self) -> bool:
        """Whether an MSB waits for its LSB."""
        return self._waiting is not None

    def settle(self) -> list[Event]:
        """The event of an MSB whose LSB does not come."""
        waited, self._waiting = self._waiting, None
        if waited is None:
            return []
        at, fine, _ = waited
        return self._moved(at, fine.settle())

    def _moved(self, at: int, value: int | None) -> list[Event]:
        return [] if value is None else [Moved(pedal=self.pedal, control=at, value=value)]

    def _unknown(self, message: bytes) -> list[Event]:
        return [Unmapped(pedal=self.pedal, said=midi.hex_text(message[:SAID_MAX])[:SAID_MAX])]

    def _message(self, message: bytes) -> list[Event]:
        """The events of one whole message."""
        first = message[0]
        if first in BACKGROUND:
            self.counted[BACKGROUND[first]] += 1
            return []
        # Real-time messages stand anywhere, so also between the halves of a value.
        if first < REALTIME_FIRST and self._waiting is not None and not message.startswith(self._waiting[2]):
            return [*self.settle(), *self._of(message)]
        return self._of(message)

    def _of(self, message: bytes) -> list[Event]:
        """The events of a message by itself."""
        first = message[0]
        if first < midi.SYSEX:
            return self._on_channel(message, first & 0xF0, (first & 0x0F) + 1)
        if first == midi.SYSEX:
            return self._sysex(message)
        at = self._whole.get(message)
        return self._unknown(message) if at is None else self._moved(at, 1)

    def _on_channel(self, message: bytes, kind: int, channel: int) -> list[Event]:
        number, value = message[1], message[-1]
        if kind == midi.CONTROL:
            return self._control(message, number, value, channel)
        if kind == midi.PROGRAM:
            return self._program(message, number, channel)
        if kind in (midi.NOTE_ON, midi.NOTE_OFF):
            value = value if kind == midi.NOTE_ON else 0
            kind = midi.NOTE_ON
        elif kind == midi.PITCH_BEND:
            number, value = 0, value * 128 + number
        elif kind == midi.CHANNEL_PRESSURE:
            number = 0
        at = self._plain.get((kind, number, channel))
        return self._unknown(message) if at is None else self._moved(at, value)

    def _program(self, message: bytes, program: int, channel: int) -> list[Event]:
        at = self._plain.get((midi.PROGRAM, program, channel))
        bank = self._banks.get(channel)
        if bank is not None:
            of_bank = self._programs.get((bank.use(), program, channel))
            at = of_bank if at is None else at
        return self._unknown(message) if at is None else self._moved(at, 1)

    def _control(self, message: bytes, control: int, value: int, channel: int) -> list[Event]:
        at = self._plain.get((midi.CONTROL, control, channel))
        if at is not None:
            return self._moved(at, value)
        at = self._pairs.get((control & 31, channel)) if control < 64 else None
        if at is not None:
            return self._half(at, message, value, control & 31)
        if channel in self._with_parameters:
            if control in SELECTING:
                self._selections.setdefault(channel, Selection()).select(control, value)
                return []
            if control in _DATA_ENTRY:
                return self._data_entry(message, control, value, channel)
        if channel in self._with_banks and control in _BANK:
            self._banks.setdefault(channel, Bank()).select(control, value)
            return []
        return self._unknown(message)

    def _half(self, at: int, message: bytes, value: int, msb: int) -> list[Event]:
        """One half of a value whose halves are the controllers `msb` and `msb` + 32."""
        fine = self._fines.setdefault((at, message[0]), Fine())
        if message[1] != msb:
            self._waiting = None
            if fine.msb is None:
                self.counted[NO_MSB] += 1
            return self._moved(at, fine.fine(value))
        told = fine.coarse(value)
        if fine.waits:
            self._waiting = (at, fine, bytes((message[0], msb + 32)))
        return self._moved(at, told)

    def _data_entry(self, message: bytes, control: int, value: int, channel: int) -> list[Event]:
        selection = self._selections.get(channel)
        parameter = None if selection is None else selection.use()
        if parameter is None:
            self.counted[NO_PARAMETER] += 1
            return []
        at = self._parameters.get((parameter, channel))
        if at is None:
            return self._unknown(message)
        if control in (midi.DATA_MSB, midi.DATA_LSB):
            return self._half(at, message, value, midi.DATA_MSB)
        fine = self._fines.setdefault((at, message[0]), Fine())
        before = fine.value
        after = fine.step(1 if control == midi.INCREMENT else -1)
        if after is None:
            self.counted[NO_VALUE] += 1
        return [] if after == before else self._moved(at, after)

    def _sysex(self, message: bytes) -> list[Event]:
        for pattern, at in self._patterns.get(len(message), ()):
            value = _match(pattern, message)
            if value is not None:
                return self._moved(at, value)
        return self._unknown(message)


def _match(pattern: Pattern, message: bytes) -> int | None:
    """The value of a message of the pattern's length, 1 where the pattern has none; None where it does not match."""
    value = None
    for part, byte in zip(pattern, message, strict=True):
        if isinstance(part, int):
            if part != byte:
                return None
        elif part != ANY_BYTE:
            value = (value or 0) + (byte if part in (VALUE, VALUE_LSB) else byte * 128)
    return 1 if value is None else value
