"""A desk of our own: it hears bytes by a profile and keeps every level, as a desk at the other end would."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from stagectl.core.levels import OFF, Level
from stagectl.desk.hear import Asked, Meaning, Part, Recalled, Spot, Told, ear_for, place_of
from stagectl.errors import WireError
from stagectl.show.profile import ByOsc, ProfileModel
from stagectl.wire.laws import Code, Law
from stagectl.wire.osc import build

OUT_OF_RANGE = "a value outside the range"
NOT_STORED = "a scene that is not stored"


class Heard(NamedTuple):
    """A level that the desk was brought to. `socket` None: the whole mix."""

    mix: int
    socket: int | None
    level: Level


class VirtualDesk:
    """A desk. `inputs`, `mixes`: the numbers of its sockets and mixes, or how many there are, counted from 1.

    Every level begins at off, or at the lowest where the desk cannot say off. `not_understood`: messages that
    changed nothing, by reason. Raises WireError where a number does not fit the profile or two levels collide.
    """

    def __init__(self, profile: ProfileModel, inputs: Sequence[int] | int, mixes: Sequence[int] | int) -> None:
        self.profile = profile
        self.inputs = _numbers(inputs)
        self.mixes = _numbers(mixes)
        self.not_understood: Counter[str] = Counter()
        spots = [Spot(mix, socket) for mix in self.mixes for socket in self.inputs]
        self._send_law = self._whole_law = profile.send.law()
        if profile.whole_mix is not None:
            spots += [Spot(mix, None) for mix in self.mixes]
            self._whole_law = profile.whole_mix.law()
        self._ear = ear_for(profile, spots, self.not_understood)
        # What is no answerable question was counted when it was heard.
        self._asked = ear_for(profile, spots, Counter())
        self._codes: dict[Spot, Code] = {}
        self._levels: dict[Spot, Level] = {}
        self._scenes: dict[int, tuple[dict[Spot, Code], dict[Spot, Level]]] = {}
        for spot in spots:
            law = self._law(spot)
            self._codes[spot] = law.code(OFF)
            self._levels[spot] = law.level(self._codes[spot])

    def level(self, socket: int, mix: int) -> Level:
        """The level of an input in a mix. Raises KeyError where the desk has none."""
        return self._levels[Spot(mix, socket)]

    def whole(self, mix: int) -> Level:
        """The level of a whole mix. Raises KeyError where the desk has none."""
        return self._levels[Spot(mix, None)]

    def levels(self) -> list[Heard]:
        """Every level: the inputs mix by mix, then the whole mixes."""
        return [Heard(*spot, level) for spot, level in self._levels.items()]

    def hear(self, packet: bytes) -> list[Heard]:
        """What the bytes told the desk, in their order: levels that were told, also where they stood there already,
        and of a recalled scene the levels that moved. Never raises; a question changes nothing."""
        return [heard for heard, _ in self.hear_parts(packet)]

    def hear_parts(self, packet: bytes) -> list[tuple[Heard, Part]]:
        """As `hear`, with which part of its value each level was told."""
        return [
            (heard, meaning.part if isinstance(meaning, Told) else Part.WHOLE)
            for meaning in self._ear.hear(packet)
            for heard in self._take(meaning)
        ]

    def read_back(self, packet: bytes) -> list[bytes]:
        """The answers to a packet's questions. OSC: a message to a level's address with no argument is answered
        by the same address with its value. There are no questions over MIDI. Changes and counts nothing."""
        if self.profile.over != "osc":
            return []
        return [self._answer(asked) for asked in self._asked.hear(packet) if isinstance(asked, Asked)]

    def store(self, number: int) -> None:
        """Keep all levels as a stored scene, to be recalled by message. Raises WireError where the profile has no
        message for that number."""
        if self.profile.stored_scene is None:
            raise WireError(f"the profile `{self.profile.name}` recalls no stored scenes")
        if number < 1:
            raise WireError(f"stored scenes are counted from 1; there is no scene {number}")
        self.profile.stored_scene.packets(number)
        self._scenes[number] = (dict(self._codes), dict(self._levels))

    def _law(self, spot: Spot) -> Law:
        return self._whole_law if spot.socket is None else self._send_law

    def _take(self, meaning: Meaning) -> Iterator[Heard]:
        if isinstance(meaning, Told):
            yield from self._told(meaning)
        elif isinstance(meaning, Recalled):
            yield from self._recall(meaning.scene)

    def _told(self, told: Told) -> Iterator[Heard]:
        spot, code, part = told
        if part is Part.COARSE:
            code = int(code) << 7
        elif part is Part.FINE:
            code = int(self._codes[spot]) & ~0x7F | int(code)
        try:
            level = self._law(spot).level(code)
        except WireError:
            self.not_understood[OUT_OF_RANGE] += 1
            if part is Part.COARSE:
                # The fine part that follows may bring it into the range.
                self._codes[spot] = code
            return
        self._codes[spot], self._levels[spot] = code, level
        yield Heard(*spot, level)

    def _recall(self, scene: int) -> Iterator[Heard]:
        if scene not in self._scenes:
            self.not_understood[NOT_STORED] += 1
            return
        codes, levels = self._scenes[scene]
        moved = [spot for spot, level in levels.items() if level != self._levels[spot]]
        self._codes, self._levels = dict(codes), dict(levels)
        yield from (Heard(*spot, levels[spot]) for spot in moved)

    def _answer(self, asked: Asked) -> bytes:
        place, _ = place_of(self.profile, asked.spot)
        assert isinstance(place, ByOsc)
        return build(asked.address, (place.argument(self._codes[asked.spot]),), place.type[0])


def _numbers(given: Sequence[int] | int) -> tuple[int, ...]:
    numbers = tuple(range(1, given + 1)) if isinstance(given, int) else tuple(given)
    if any(number < 1 for number in numbers):
        raise WireError("sockets and mixes are counted from 1")
    return numbers
