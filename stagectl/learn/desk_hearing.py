"""Sorting what a desk said into voices, MIDI and OSC.

Pure. Sources: MIDI 1.0 Detailed Specification 4.2.1 for pairs of controllers (a received MSB sets the LSB to 0; the LSB
may come alone) and for parameters (99 and 98 or 101 and 100 choose one, 6 and 38 say its value); OSC 1.0 for messages.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from typing import Final

from stagectl.errors import WireError
from stagectl.learn.desk_moves import Part
from stagectl.learn.desk_osc import Heard, osc_voices
from stagectl.learn.desk_sysex import Places, Timed, sysex_voices
from stagectl.learn.desk_voices import NO_CHANGE, NO_LEVEL, Sample, Shape, Voice, Voices
from stagectl.learn.series import BACKGROUND, MESSAGES_MAX, TOGETHER_NS
from stagectl.wire import midi
from stagectl.wire.osc import BUNDLE, read
from stagectl.wire.stream import MidiStream

PAIRED_SHARE: Final = 0.6
"""So many of the coarse parts are followed at once by a fine part, where two controllers are a pair; some get lost."""

REALTIME: Final = BACKGROUND | {byte: word for word, byte in midi.REALTIME.items()}

_KINDS: Final = {
    0x80: "note",
    0x90: "note",
    0xA0: "key pressure",
    0xC0: "program",
    0xD0: "channel pressure",
    0xE0: "pitch bend",
    0xF0: "system message",
}


_ADDRESS: Final = re.compile(rb"/[!-~]+")
"""An address, in a packet that cannot be read."""


def over_osc(parts: Sequence[Part]) -> bool:
    """Whether any packet is an OSC packet. A host may send text of another kind beside them, and a piece of MIDI may
    begin like an address."""
    return any(_is_osc(data) for _, packets in parts for _, data in packets)


def _is_osc(data: bytes) -> bool:
    if not data.startswith((b"/", BUNDLE)):
        return False
    try:
        return bool(read(data).messages)
    except WireError:
        return False


def voices_of(parts: Sequence[Part]) -> Voices:
    """Sort what was heard during the moves."""
    return _osc_voices(parts) if over_osc(parts) else _midi_voices(parts)


# -- MIDI -------------------------------------------------------------------------------------------------


def _midi_voices(parts: Sequence[Part]) -> Voices:
    found = Voices()
    stream = MidiStream(found.odd)
    controls: dict[int, list[Timed]] = {}
    exclusive: list[Timed] = []
    for part, (_, packets) in enumerate(parts):
        for at, data in packets:
            for message in stream.feed(data):
                found.heard += 1
                if found.heard > MESSAGES_MAX:
                    found.odd["beyond the first messages"] += 1
                elif message[0] in REALTIME:
                    found.background[REALTIME[message[0]]] += 1
                elif message[0] == midi.SYSEX:
                    exclusive.append(Timed(at, part, message))
                elif message[0] & 0xF0 == midi.CONTROL:
                    controls.setdefault(message[0] & 0x0F, []).append(Timed(at, part, message))
                else:
                    found.add(_no_level(message), Sample(at, part, message[-1]))
    for channel, messages in controls.items():
        _Channel(channel + 1, messages, found).sort()
    for kept, places, sample in sysex_voices(exclusive, parts):
        found.add(Voice(_sysex_shape(places, len(kept)), kept), Sample(*sample))
    return found


def _sysex_shape(places: Places, kept: int) -> Shape:
    length = kept + len(places.value) + (places.checksum is not None) + 2
    odd = ""
    if not places.value:
        odd = NO_CHANGE
    elif places.checksum is not None and not places.checksum.word:
        odd = f"byte {places.checksum.at + 1} is a checksum of a kind that profiles cannot say"
    odd = odd or places.odd
    return Shape("sysex", 7 * len(places.value), str(length), places.value, places.checksum, odd=odd)


def _no_level(message: bytes) -> Voice:
    """A message that no profile says levels with."""
    kind = _KINDS[message[0] & 0xF0]
    shape = Shape(kind, odd=NO_LEVEL)
    if message[0] >= midi.SYSEX:
        return Voice(shape, ())
    keyed = message[1:2] if kind in ("note", "key pressure") else b""
    return Voice(shape, ((message[0] & 0x0F) + 1, *keyed))


class _Channel:
    """The control changes of one channel. `coarse`: the last coarse part of each voice; `fresh`: the voice whose coarse
    part no fine part has followed yet."""

    def __init__(self, channel: int, messages: Sequence[Timed], found: Voices) -> None:
        self.channel, self.messages, self.found = channel, messages, found
        self.pairs = _pairs(messages)
        numbers = [one.data[1] for one in messages]
        self.parametric = bool({98, 99, 100, 101} & set(numbers)) and bool({6, 38} & set(numbers))
        self.kind, self.high, self.low = "", {"nrpn": -1, "rpn": -1}, {"nrpn": -1, "rpn": -1}
        self.coarse: dict[Voice, Timed] = {}
        self.fresh: Voice | None = None

    def sort(self) -> None:
        """Add each to its voice."""
        for one in self.messages:
            number = one.data[1]
            if self.parametric and number in (midi.NRPN_MSB, midi.RPN_MSB):
                self.kind = "nrpn" if number == midi.NRPN_MSB else "rpn"
                self.high[self.kind] = one.data[2]
            elif self.parametric and number in (midi.NRPN_LSB, midi.RPN_LSB):
                self.kind = "nrpn" if number == midi.NRPN_LSB else "rpn"
                self.low[self.kind] = one.data[2]
            elif self.parametric and number in (midi.DATA_MSB, midi.DATA_LSB):
                self._data(one)
            elif self.parametric and number in (midi.INCREMENT, midi.DECREMENT):
                self.found.odd["data increment or decrement"] += 1
            elif number < 64 and number % 32 in self.pairs:
                shape = Shape("control change pair", 14)
                self._half(Voice(shape, (self.channel, number % 32)), one, coarse=number < 32)
            else:
                self.found.add(
                    Voice(Shape("control change"), (self.channel, number)), Sample(one.at, one.part, one.data[2])
                )

    def _data(self, one: Timed) -> None:
        high, low = self.high.get(self.kind, -1), self.low.get(self.kind, -1)
        if high < 0 or low < 0 or high == low == 127:
            self.found.odd["data entry for no parameter"] += 1
            return
        voice = Voice(Shape(self.kind, 14), (self.channel, high * 128 + low))
        self._half(voice, one, coarse=one.data[1] == midi.DATA_MSB)

    def _half(self, voice: Voice, one: Timed, *, coarse: bool) -> None:
        """A coarse part is a value by itself, which the fine part that follows at once corrects."""
        if coarse:
            self.coarse[voice] = one
            self.fresh = voice
            self.found.add(voice, Sample(one.at, one.part, one.data[2] << 7))
            return
        before = self.coarse.get(voice)
        if before is None:
            self.found.odd["a fine part before any coarse part"] += 1
            return
        samples = self.found.series[voice]
        sample = Sample(one.at, one.part, before.data[2] << 7 | one.data[2])
        if self.fresh == voice and samples[-1].part == one.part and one.at - before.at <= TOGETHER_NS:
            samples[-1] = sample
        else:
            samples.append(sample)
        self.fresh = None


def _pairs(messages: Sequence[Timed]) -> set[int]:
    """The controllers 0 to 31 of which most values are followed at once by one of the controller 32 above."""
    coarse: Counter[int] = Counter()
    followed: Counter[int] = Counter()
    waiting: dict[int, int] = {}
    last = -1
    for one in messages:
        number = one.data[1]
        if number < 32:
            coarse[number] += 1
            waiting[number] = one.at
        elif number < 64 and number - 32 in waiting:
            since = one.at - waiting.pop(number - 32)
            followed[number - 32] += since <= TOGETHER_NS or last == number - 32
        last = number
    return {number for number, count in followed.items() if count >= PAIRED_SHARE * coarse[number]}


# -- OSC --------------------------------------------------------------------------------------------------


def _osc_voices(parts: Sequence[Part]) -> Voices:
    found = Voices()
    heard: list[Heard] = []
    for part, (_, packets) in enumerate(parts):
        for at, data in packets:
            if not data:
                continue
            found.heard += 1
            if found.heard > MESSAGES_MAX:
                found.odd["beyond the first messages"] += 1
                continue
            try:
                messages, discarded = read(data)
            except WireError as error:
                messages, discarded = [], [str(error)]
            heard += [Heard(at, part, message) for message in messages]
            if discarded:
                found.odd.update(discarded)
                addresses = Counter(one.decode() for one in _ADDRESS.findall(data))
                addresses.subtract(message.address for message in messages)
                found.refused.setdefault(part, set()).update(+addresses)
    for voice, sample in osc_voices(heard):
        found.add(voice, sample)
    return found
