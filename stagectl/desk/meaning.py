"""What bytes can mean between a rig and its desk, and why some mean nothing."""

from __future__ import annotations

from collections.abc import Iterator
from enum import Enum
from typing import Final, NamedTuple, Protocol, TypeAlias

from stagectl.errors import WireError
from stagectl.show.answers import NO_ANSWERS
from stagectl.show.messages import spoken
from stagectl.show.places import AskByOsc, AskBySysEx, Place
from stagectl.show.profile import ProfileModel, SendModel
from stagectl.wire.laws import Code

REALTIME: Final = "a real-time message"
OTHER: Final = "a message for no level"
NO_PARAMETER: Final = "data entry with no parameter selected"
REGISTERED: Final = "data entry for a registered parameter"
NO_LEVEL: Final = "a parameter for no level"
CHECKSUM: Final = "a SysEx message whose checksum is wrong"
NOT_OSC: Final = "not an OSC packet"
DISCARDED: Final = "an OSC message with an unknown type tag, or a value that is no number"
ARGUMENTS: Final = "an OSC message with other arguments than its level has"
FINE_ALONE: Final = "a fine part whose coarse part was never heard"
OUT_OF_RANGE: Final = "a value outside the range"


class Spot(NamedTuple):
    """One level of the desk. `socket` None: the whole mix."""

    mix: int
    socket: int | None

    def __str__(self) -> str:
        return f"the whole of mix {self.mix}" if self.socket is None else f"input {self.socket} in mix {self.mix}"


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


class AskedAll(NamedTuple):
    """A question for all levels."""


class Subscribed(NamedTuple):
    """Somebody wants to be told what changes."""


class Recalled(NamedTuple):
    """A scene that the desk stores is asked for."""

    scene: int


Meaning: TypeAlias = Told | Asked | AskedAll | Subscribed | Recalled


class Ear(Protocol):
    """Hears one kind of wire."""

    def hear(self, packet: bytes) -> Iterator[Meaning]:
        """What the bytes mean."""
        ...

    def forget(self) -> None:
        """The wire was cut: what was half said counts no more."""
        ...


def part_of(profile: ProfileModel, spot: Spot) -> SendModel:
    """How a level is said. Raises WireError where the profile says no whole mixes."""
    if spot.socket is not None:
        return profile.send
    if profile.whole_mix is None:
        raise WireError(f"the profile `{profile.name}` says no whole mixes")
    return profile.whole_mix


def place_of(profile: ProfileModel, spot: Spot) -> tuple[Place, int]:
    """Where a level is said, and the socket number that counts there."""
    return part_of(profile, spot).say, 1 if spot.socket is None else spot.socket


def packets_of(profile: ProfileModel, spot: Spot, code: Code) -> tuple[bytes, ...]:
    """The messages that say a code of a level."""
    place, socket = place_of(profile, spot)
    return place.packets(socket, spot.mix, code)


def question_of(profile: ProfileModel, spot: Spot) -> AskBySysEx | AskByOsc | None:
    """How a level is asked for; None where it cannot be asked for by itself."""
    answers = profile.answers or NO_ANSWERS
    return answers.ask_whole_mix if spot.socket is None else answers.ask


def question_packet(profile: ProfileModel, spot: Spot) -> bytes | None:
    """The question for a level; None where it cannot be asked for by itself."""
    question = question_of(profile, spot)
    return None if question is None else question.packet(1 if spot.socket is None else spot.socket, spot.mix)


def phrases_of(profile: ProfileModel) -> list[tuple[tuple[bytes, ...], Meaning]]:
    """The messages that ask for all levels, and those that subscribe."""
    answers = profile.answers or NO_ANSWERS
    said = ((answers.ask_all, AskedAll()), (answers.subscribe, Subscribed()))
    return [(spoken(messages), meaning) for messages, meaning in said if messages is not None]
