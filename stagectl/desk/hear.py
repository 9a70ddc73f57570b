"""What a desk hears: from bytes to values for its levels, by a profile.

Sources: MIDI 1.0 Detailed Specification 4.2.1 for controllers, controller pairs, non-registered parameters, bank select
and SysEx; OSC 1.0 for messages. A message for no level is counted with its reason; nothing here raises.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from enum import Enum
from typing import Final, NamedTuple, Protocol, TypeAlias, TypeVar

from stagectl.errors import WireError
from stagectl.show.profile import ByControl, ByControlPair, ByNrpn, ByOsc, BySysEx, Place, ProfileModel, StoredScene
from stagectl.wire import midi
from stagectl.wire.laws import Code
from stagectl.wire.osc import OscMessage, parse
from stagectl.wire.stream import REALTIME_FIRST, MidiStream

RPN_LSB: Final = 100
RPN_MSB: Final = 101
NULL_PARAMETER: Final = (0x7F, 0x7F)

REALTIME: Final = "a real-time message"
OTHER: Final = "a message for no level"
NO_PARAMETER: Final = "data entry with no parameter selected"
REGISTERED: Final = "data entry for a registered parameter"
NO_LEVEL: Final = "a parameter for no level"
NOT_OSC: Final = "not an OSC packet"
ARGUMENTS: Final = "an OSC message with other arguments than one number"


class Spot(NamedTuple):
    """One level of the desk. `socket` None: the whole mix."""

    mix: int
    socket: int | None


class Part(Enum):
    """Which part of a value was said. A coarse part resets the fine part to 0; a fine part may come alone."""

    WHOLE = "whole"
    COARSE = "coarse"
    FINE = "fine"


class Told(NamedTuple):
    """A value for a level: the number on the wire, or seven bits of it."""

    spot: Spot
    value: Code
    part: Part = Part.WHOLE


class Asked(NamedTuple):
    """A question for a level."""

    spot: Spot
    address: str


class Recalled(NamedTuple):
    """A scene that the desk stores is asked for."""

    scene: int


Meaning: TypeAlias = Told | Asked | Recalled

KeyT = TypeVar("KeyT")
ValueT = TypeVar("ValueT")


class Ear(Protocol):
    """Hears one kind of wire."""

    def hear(self, packet: bytes) -> Iterator[Meaning]:
        """What the bytes mean."""
        ...


def ear_for(profile: ProfileModel, spots: Iterable[Spot], counted: Counter[str]) -> Ear:
    """The ear for a profile. `counted`: what was not understood, by reason.

    Raises WireError where a level does not fit on the wire, or where two levels share a message.
    """
    return OscEar(profile, spots, counted) if profile.over == "osc" else MidiEar(profile, spots, counted)


def place_of(profile: ProfileModel, spot: Spot) -> tuple[Place, int]:
    """Where a level is said, and the socket number that counts there."""
    if spot.socket is not None:
        return profile.send.say, spot.socket
    if profile.whole_mix is None:
        raise WireError(f"the profile `{profile.name}` says no whole mixes")
    return profile.whole_mix.say, 1


class _Selected(Enum):
    """Which kind of parameter data entry goes to."""

    NONE = 0
    REGISTERED = 1
    NON_REGISTERED = 2


@dataclass(slots=True)
class _Channel:
    """What a channel remembers between messages. A number is None until it was heard."""

    selected: _Selected = _Selected.NONE
    nrpn_msb: int | None = None
    nrpn_lsb: int | None = None
    rpn_msb: int | None = None
    rpn_lsb: int | None = None
    bank_msb: int = 0
    bank_lsb: int = 0

    def select(self, control: int, value: int) -> None:
        """A parameter number's part."""
        if control in (midi.NRPN_MSB, midi.NRPN_LSB):
            self.selected = _Selected.NON_REGISTERED
            if control == midi.NRPN_MSB:
                self.nrpn_msb = value
            else:
                self.nrpn_lsb = value
            return
        if control == RPN_MSB:
            self.rpn_msb = value
        else:
            self.rpn_lsb = value
        null = (self.rpn_msb, self.rpn_lsb) == NULL_PARAMETER
        self.selected = _Selected.NONE if null else _Selected.REGISTERED

    def bank(self, control: int, value: int) -> None:
        """A bank number's part; it changes nothing until a program change comes."""
        if control == midi.BANK_MSB:
            self.bank_msb, self.bank_lsb = value, 0
        else:
            self.bank_lsb = value


_SELECTING: Final = (midi.NRPN_LSB, midi.NRPN_MSB, RPN_LSB, RPN_MSB)
_DATA_ENTRY: Final = {midi.DATA_MSB: Part.COARSE, midi.DATA_LSB: Part.FINE}
_BANK: Final = (midi.BANK_MSB, midi.BANK_LSB)


class MidiEar:
    """Hears MIDI, as a stream: messages may be cut anywhere, and running status is understood."""

    def __init__(self, profile: ProfileModel, spots: Iterable[Spot], counted: Counter[str]) -> None:
        self.counted = counted
        self._stream = MidiStream(counted)
        self._channels = {channel: _Channel() for channel in range(1, 17)}
        self._stored = profile.stored_scene
        self._controls: dict[tuple[int, int], tuple[Spot, Part]] = {}
        self._parameters: dict[tuple[int, int], Spot] = {}
        self._templates: dict[tuple[int | str, ...], dict[tuple[int | None, int | None], Spot]] = {}
        for spot in spots:
            self._add(spot, *place_of(profile, spot))
        self._check_free(profile)

    def _add(self, spot: Spot, place: Place, socket: int) -> None:
        if isinstance(place, ByControl):
            key = (place.channel.at(socket, spot.mix), place.control_change.at(socket, spot.mix))
            _in_range(key, midi.CHANNEL_MODE - 1, spot)
            _put(self._controls, key, (spot, Part.WHOLE), spot)
        elif isinstance(place, ByControlPair):
            channel, coarse = place.channel.at(socket, spot.mix), place.control_change_pair.at(socket, spot.mix)
            _in_range((channel, coarse), 31, spot)
            _put(self._controls, (channel, coarse), (spot, Part.COARSE), spot)
            _put(self._controls, (channel, coarse + 32), (spot, Part.FINE), spot)
        elif isinstance(place, ByNrpn):
            key = (place.channel.at(socket, spot.mix), place.nrpn.at(socket, spot.mix))
            _in_range(key, 0x3FFF, spot)
            _put(self._parameters, key, spot, spot)
        elif isinstance(place, BySysEx):
            # A template counts inputs and mixes from 0.
            words = (
                socket - 1 if "input" in place.sysex else None,
                spot.mix - 1 if "mix" in place.sysex else None,
            )
            if any(word is not None and not 0 <= word <= 127 for word in words):
                raise WireError(f"{_who(spot)} does not fit in a SysEx byte")
            _put(self._templates.setdefault(place.sysex, {}), words, spot, spot)

    def _check_free(self, profile: ProfileModel) -> None:
        """No level may stand on a controller that means something else on its channel."""
        kept = {(channel, control) for channel, _ in self._parameters for control in (*_SELECTING, *_DATA_ENTRY)}
        if profile.stored_scene is not None and profile.stored_scene.banks:
            kept |= {(profile.stored_scene.channel, control) for control in _BANK}
        for channel, control in kept & set(self._controls):
            raise WireError(
                f"{_who(self._controls[channel, control][0])} is said by controller {control} of channel {channel}, "
                "which selects parameters, enters data or selects banks there"
            )

    def hear(self, packet: bytes) -> Iterator[Meaning]:
        """What the bytes mean, with those that were left incomplete before."""
        for message in self._stream.feed(packet):
            if message[0] >= REALTIME_FIRST:
                self.counted[REALTIME] += 1
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
        elif control in _SELECTING:
            self._channels[channel].select(control, value)
        elif control in _DATA_ENTRY:
            yield from self._data_entry(channel, value, _DATA_ENTRY[control])
        elif control in _BANK:
            self._channels[channel].bank(control, value)
        else:
            self.counted[OTHER] += 1

    def _data_entry(self, channel: int, value: int, part: Part) -> Iterator[Meaning]:
        state = self._channels[channel]
        if state.selected is _Selected.REGISTERED:
            self.counted[REGISTERED] += 1
            return
        if state.selected is _Selected.NONE or state.nrpn_msb is None or state.nrpn_lsb is None:
            self.counted[NO_PARAMETER] += 1
            return
        spot = self._parameters.get((channel, state.nrpn_msb * 128 + state.nrpn_lsb))
        if spot is None:
            self.counted[NO_LEVEL] += 1
        else:
            yield Told(spot, value, part)

    def _scene(self, stored: StoredScene, program: int) -> int:
        state = self._channels[stored.channel]
        bank = state.bank_msb * 128 + state.bank_lsb if stored.banks else 0
        return bank * 128 + program - stored.program + 1

    def _sysex(self, message: bytes) -> Iterator[Meaning]:
        for template, spots in self._templates.items():
            words = _match(template, message)
            if words is None:
                continue
            spot = spots.get((words.get("input"), words.get("mix")))
            if spot is not None:
                yield Told(spot, _value(words))
                return
        self.counted[OTHER] += 1


def _match(template: tuple[int | str, ...], message: bytes) -> dict[str, int] | None:
    """The words that a message fills a template with; None where it is another message."""
    if len(template) != len(message):
        return None
    words: dict[str, int] = {}
    for part, byte in zip(template, message, strict=True):
        if isinstance(part, str):
            if words.setdefault(part, byte) != byte:
                return None
        elif part != byte:
            return None
    return words


def _value(words: Mapping[str, int]) -> int:
    return words["value"] if "value" in words else words["value msb"] * 128 + words["value lsb"]


class OscEar:
    """Hears OSC. Addresses are matched as they stand; patterns are for no level."""

    def __init__(self, profile: ProfileModel, spots: Iterable[Spot], counted: Counter[str]) -> None:
        self.counted = counted
        self._spots: dict[str, Spot] = {}
        for spot in spots:
            place, socket = place_of(profile, spot)
            if isinstance(place, ByOsc):
                _put(self._spots, place.address(socket, spot.mix), spot, spot)

    def hear(self, packet: bytes) -> Iterator[Meaning]:
        """What a packet's messages mean. A packet that is not sound throughout means nothing."""
        try:
            messages = parse(packet)
        except WireError:
            self.counted[NOT_OSC] += 1
            return
        for message in messages:
            yield from self._message(message)

    def _message(self, message: OscMessage) -> Iterator[Meaning]:
        spot = self._spots.get(message.address)
        if spot is None:
            self.counted[OTHER] += 1
        elif not message.arguments:
            yield Asked(spot, message.address)
        else:
            value = message.arguments[0]
            if len(message.arguments) == 1 and isinstance(value, int | float) and not isinstance(value, bool):
                yield Told(spot, value)
            else:
                self.counted[ARGUMENTS] += 1


def _who(spot: Spot) -> str:
    return f"the whole of mix {spot.mix}" if spot.socket is None else f"input {spot.socket} in mix {spot.mix}"


def _in_range(key: tuple[int, int], highest: int, spot: Spot) -> None:
    channel, number = key
    if not 1 <= channel <= 16:
        raise WireError(f"{_who(spot)} is on channel {channel}, outside 1 to 16")
    if not 0 <= number <= highest:
        raise WireError(f"{_who(spot)} is on number {number}, outside 0 to {highest}")


def _put(table: dict[KeyT, ValueT], key: KeyT, value: ValueT, spot: Spot) -> None:
    if key in table:
        raise WireError(f"{_who(spot)} is said by the same message as another level")
    table[key] = value
