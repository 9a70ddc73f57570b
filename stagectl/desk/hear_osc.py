"""What OSC packets mean by a profile. Source: OSC 1.0."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator

from stagectl.desk.meaning import (
    ARGUMENTS,
    DISCARDED,
    NOT_OSC,
    OTHER,
    Asked,
    Meaning,
    Spot,
    Told,
    phrases_of,
    place_of,
    question_packet,
)
from stagectl.desk.phrase import Phrases
from stagectl.desk.tables import put
from stagectl.errors import WireError
from stagectl.show.osc_template import Shape, ValueType, shape_of, to_code
from stagectl.show.places import ByOsc
from stagectl.show.profile import ProfileModel
from stagectl.wire.osc import OscMessage, parse, read


class OscEar:
    """Hears OSC. Addresses are matched as they stand; patterns are for no level."""

    def __init__(self, profile: ProfileModel, spots: Iterable[Spot], counted: Counter[str]) -> None:
        self.counted = counted
        self._spots: dict[Shape, tuple[Spot, ValueType]] = {}
        self._questions: dict[Shape, Spot] = {}
        self._phrases = Phrases([(tuple(map(_bare, packets)), meaning) for packets, meaning in phrases_of(profile)])
        for spot in spots:
            place, socket = place_of(profile, spot)
            if isinstance(place, ByOsc):
                put(self._spots, place.shape(socket, spot.mix), (spot, place.type), spot)
            question = question_packet(profile, spot)
            if question is not None:
                put(self._questions, _bare(question), spot, spot)
        self._addresses = {shape.address for shape in self._spots}
        self._holes = sorted({shape.hole for shape in self._spots if shape.hole is not None})

    def forget(self) -> None:
        """See `Ear`."""
        self._phrases.forget()

    def hear(self, packet: bytes) -> Iterator[Meaning]:
        """What a packet's messages mean. One that is no packet means nothing."""
        try:
            found = read(packet)
        except WireError:
            self.counted[NOT_OSC] += 1
            return
        if found.discarded:
            self.counted[DISCARDED] += len(found.discarded)
        for message in found.messages:
            yield from self._message(message)

    def _message(self, message: OscMessage) -> Iterator[Meaning]:
        bare = shape_of(message, None)
        completes = self._phrases.hear(bare)
        if completes is not None:
            yield from completes
        elif bare in self._questions:
            yield Asked(self._questions[bare])
        else:
            yield from self._level(message)

    def _level(self, message: OscMessage) -> Iterator[Meaning]:
        for hole in self._holes:
            if hole >= len(message.arguments):
                break
            found = self._spots.get(shape_of(message, hole))
            code = None if found is None else to_code(message.arguments[hole], found[1])
            if found is not None and code is not None:
                yield Told(found[0], code)
                return
        self.counted[ARGUMENTS if message.address in self._addresses else OTHER] += 1


def _bare(packet: bytes) -> Shape:
    """The shape of a packet with one message, which has no value."""
    (message,) = parse(packet)
    return shape_of(message, None)
