"""What MIDI bytes mean by a profile.

Source: MIDI 1.0 Detailed Specification 4.2.1 for controllers, controller pairs, parameters, bank select and SysEx.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from typing import Final, TypeAlias

from stagectl.desk.channel import ChannelState, Parameter
from stagectl.desk.meaning import (
    CHECKSUM,
    NO_LEVEL,
    NO_PARAMETER,
    OTHER,
    REALTIME,
    REGISTERED,
    Asked,
    Meaning,
    Part,
    Recalled,
    Spot,
    Told,
    phrases_of,
    place_of,
    question_of,
)
from stagectl.desk.phrase import Phrases
from stagectl.desk.tables import check_channel, put
from stagectl.errors import WireError
from stagectl.show.places import AskBySysEx, ByControl, ByControlPair, ByParameter, BySysEx, Place, SysExMessage
from stagectl.show.profile import ProfileModel, StoredScene
from stagectl.show.sysex_template import INPUT, MIX, Template
from stagectl.wire import midi
from stagectl.wire.stream import REALTIME_FIRST, MidiStream

_DATA_PART: Final = {midi.DATA_MSB: Part.COARSE, midi.DATA_LSB: Part.FINE}

Numbers: TypeAlias = tuple[int | None, int | None]
"""What `{input}` and `{mix}` stand for in a SysEx message; None where the word is not in it."""


class MidiEar:
    """Hears MIDI, as a stream: messages may be cut anywhere, and running status is understood."""

    def __init__(self, profile: ProfileModel, spots: Iterable[Spot], counted: Counter[str]) -> None:
        self.counted = counted
        self._stored = profile.stored_scene
        self._controls: dict[tuple[int, int], tuple[Spot, Part]] = {}
        self._parameters: dict[tuple[int, Parameter], Spot] = {}
        self._templates: dict[Template, dict[Numbers, Spot]] = {}
        self._questions: dict[Template, dict[Numbers, Spot]] = {}
        self._phrases = Phrases(phrases_of(profile))
        for spot in spots:
            self._add(spot, *place_of(profile, spot))
            question = question_of(profile, spot)
            if isinstance(question, AskBySysEx):
                self._add_template(self._questions, question, spot, 1 if spot.socket is None else spot.socket)
        self._check_free(profile)
        self.forget()

    def forget(self) -> None:
        """See `Ear`."""
        self._stream = MidiStream(self.counted)
        self._channels = {channel: ChannelState() for channel in range(1, 17)}
        self._phrases.forget()

    def _add(self, spot: Spot, place: Place, socket: int) -> None:
        if isinstance(place, ByControl):
            key = (place.channel.at(socket, spot.mix), place.control_change.at(socket, spot.mix))
            check_channel(key, midi.CHANNEL_MODE - 1, spot)
            put(self._controls, key, (spot, Part.WHOLE), spot)
        elif isinstance(place, ByControlPair):
            channel, coarse = place.channel.at(socket, spot.mix), place.control_change_pair.at(socket, spot.mix)
            check_channel((channel, coarse), 31, spot)
            put(self._controls, (channel, coarse), (spot, Part.COARSE), spot)
            put(self._controls, (channel, coarse + 32), (spot, Part.FINE), spot)
        elif isinstance(place, ByParameter):
            channel, number = place.channel.at(socket, spot.mix), place.parameter.at(socket, spot.mix)
            check_channel((channel, number), midi.NULL_PARAMETER - place.registered, spot)
            put(self._parameters, (channel, Parameter(place.registered, number)), spot, spot)
        elif isinstance(place, BySysEx):
            self._add_template(self._templates, place, spot, socket)

    def _add_template(
        self, table: dict[Template, dict[Numbers, Spot]], message: SysExMessage, spot: Spot, socket: int
    ) -> None:
        words = message.words(socket, spot.mix)
        if any(not 0 <= word <= 127 for word in words.values()):
            raise WireError(f"{spot} does not fit in a SysEx byte")
        put(table.setdefault(message.sysex, {}), (words.get(INPUT), words.get(MIX)), spot, spot)

    def _check_free(self, profile: ProfileModel) -> None:
        """No level may stand on a controller that means something else on its channel."""
        kept = {
            (channel, control)
            for channel, _ in self._parameters
            for control in midi.SELECT_PARAMETERS | midi.DATA_ENTRY
        }
        if profile.stored_scene is not None and profile.stored_scene.banks:
            kept |= {(profile.stored_scene.channel, control) for control in midi.BANK_SELECT}
        for channel, control in kept & set(self._controls):
            raise WireError(
                f"{self._controls[channel, control][0]} is said by controller {control} of channel {channel}, "
                "which selects parameters, enters data or selects banks there"
            )

    def hear(self, packet: bytes) -> Iterator[Meaning]:
        """What the bytes mean, with those that were left incomplete before."""
        for message in self._stream.feed(packet):
            if message[0] >= REALTIME_FIRST and message not in self._phrases:
                self.counted[REALTIME] += 1
                continue
            completes = self._phrases.hear(message)
            if completes is not None:
                yield from completes
            elif message[0] == midi.SYSEX:
                yield from self._sysex(message)
            else:
                yield from self._channel_message(message)

    def _channel_message(self, message: bytes) -> Iterator[Meaning]:
        kind, channel = message[0] & 0xF0, (message[0] & 0x0F) + 1
        if kind == midi.CONTROL:
            yield from self._control(channel, message[1], message[2])
        elif kind == midi.PROGRAM and self._stored is not None and channel == self._stored.channel:
            yield Recalled(self._scene(self._stored, message[1]))
        else:
            self.counted[OTHER] += 1

    def _control(self, channel: int, control: int, value: int) -> Iterator[Meaning]:
        found = self._controls.get((channel, control))
        if found is not None:
            yield Told(found[0], value, found[1])
        elif control in midi.SELECT_PARAMETERS:
            self._channels[channel].select(control, value)
        elif control in midi.DATA_ENTRY:
            yield from self._data_entry(channel, value, _DATA_PART[control])
        elif control in midi.BANK_SELECT:
            self._channels[channel].choose_bank(control, value)
        else:
            self.counted[OTHER] += 1

    def _data_entry(self, channel: int, value: int, part: Part) -> Iterator[Meaning]:
        parameter = self._channels[channel].parameter
        if parameter is None:
            self.counted[NO_PARAMETER] += 1
            return
        spot = self._parameters.get((channel, parameter))
        if spot is None:
            self.counted[REGISTERED if parameter.registered else NO_LEVEL] += 1
        else:
            yield Told(spot, value, part)

    def _scene(self, stored: StoredScene, program: int) -> int:
        bank = self._channels[stored.channel].bank if stored.banks else 0
        return bank * 128 + program - stored.program + 1

    def _sysex(self, message: bytes) -> Iterator[Meaning]:
        for table in (self._templates, self._questions):
            for template, spots in table.items():
                words = template.match(message)
                spot = None if words is None else spots.get((words.get(INPUT), words.get(MIX)))
                if words is None or spot is None:
                    continue
                if not template.is_sound(message):
                    self.counted[CHECKSUM] += 1
                elif table is self._questions:
                    yield Asked(spot)
                else:
                    yield Told(spot, template.value(words))
                return
        self.counted[OTHER] += 1
