"""What tells the messages of levels from one another, and which messages would change a level.

Sources: MIDI 1.0 Detailed Specification 4.2.1 for controllers that mean something else than a level; OSC 1.0.
"""

from __future__ import annotations

from collections.abc import Container, Hashable, Mapping, Sequence
from contextlib import suppress
from typing import Final, TypeAlias

from stagectl.errors import WireError
from stagectl.show.osc_template import shape_of
from stagectl.show.places import ByControl, ByControlPair, ByOsc, ByParameter, BySysEx, Place
from stagectl.show.profile import ProfileModel
from stagectl.show.sysex_template import INPUT, MIX
from stagectl.wire import midi
from stagectl.wire.osc import parse

CODE: Final = 0
"""The value that messages are compared with: one that every kind of message can say."""

Sign: TypeAlias = Hashable
"""What a message has that no other level's message may have."""

Kept: TypeAlias = Mapping[tuple[int, int], str]
"""Controllers, by channel and number, that mean something else than a level: `bank`, `select` or `data`."""


def signs_of(place: Place, socket: int, mix: int) -> tuple[Sign, ...]:
    """The signs of the messages of one level. Raises WireError where it cannot be said."""
    said = place.packets(socket, mix, CODE)
    if isinstance(place, ByControl | ByControlPair):
        return tuple((message[0], message[1]) for message in said)
    if isinstance(place, ByParameter):
        return (said[:2],)
    return (place.shape(socket, mix),) if isinstance(place, ByOsc) else said


Pattern: TypeAlias = tuple[Hashable, ...]
"""A level's message part by part; None stands for any value."""


def pattern_of(place: Place, socket: int, mix: int) -> Pattern | None:
    """The pattern of a level's message, where values can stand in different places. Raises WireError where it cannot be
    said."""
    if isinstance(place, ByOsc):
        shape = place.shape(socket, mix)
        return (shape.address, *shape.others[: place.hole], None, *shape.others[place.hole :])
    if isinstance(place, BySysEx):
        (message,) = place.packets(socket, mix, CODE)
        fixed = {INPUT, MIX}
        parts = zip(place.sysex.parts, message, strict=True)
        return tuple(byte if isinstance(part, int) or part in fixed else None for part, byte in parts)
    return None


def may_meet(one: Pattern, other: Pattern) -> bool:
    """Whether some message fits both patterns."""
    return len(one) == len(other) and all(a is None or b is None or a == b for a, b in zip(one, other, strict=True))


def kept_controls(profile: ProfileModel, sockets: Sequence[int], mixes: Sequence[int]) -> Kept:
    """Bank select where stored scenes have banks; parameter numbers and data entry where levels are parameters."""
    kept: dict[tuple[int, int], str] = {}
    if profile.stored_scene is not None and profile.stored_scene.banks:
        kept.update(((profile.stored_scene.channel, control), "bank") for control in midi.BANK_SELECT)
    for send, over in ((profile.send, sockets), (profile.whole_mix, (1,))):
        if send is None or not isinstance(send.say, ByParameter):
            continue
        for socket in over:
            for mix in mixes:
                with suppress(WireError):
                    channel = send.say.channel.at(socket, mix)
                    kept.update(((channel, control), "select") for control in midi.SELECT_PARAMETERS)
                    kept.update(((channel, control), "data") for control in midi.DATA_ENTRY)
    return kept


_VERBS: Final = {
    "bank": ("selects banks of stored scenes", "select banks of stored scenes"),
    "select": ("selects parameters", "select parameters"),
    "data": ("enters the values of parameters", "enter the values of parameters"),
}


def means_else(place: Place, socket: int, mix: int, kept: Kept) -> str:
    """How a level's controllers mean something else on their channel; an empty text where they do not."""
    if not isinstance(place, ByControl | ByControlPair):
        return ""
    messages = place.packets(socket, mix, CODE)
    channel, controls = (messages[0][0] & 0x0F) + 1, [message[1] for message in messages]
    found = [kept[channel, control] for control in controls if (channel, control) in kept]
    if not found:
        return ""
    many = len(controls) > 1
    these = f"controller{'s' * many} {' and '.join(map(str, controls))} of channel {channel}"
    return f"{these}, which {_VERBS[found[0]][many]} there"


def changes(profile: ProfileModel, taken: Container[Sign], kept: Kept, packet: bytes) -> bool:
    """Whether a message would set one of the levels with these signs, or recall a stored scene."""
    places = [send.say for send in (profile.send, profile.whole_mix) if send is not None]
    if profile.over == "osc":
        (message,) = parse(packet)
        holes = {place.hole for place in places if isinstance(place, ByOsc)}
        return any(shape_of(message, hole) in taken for hole in holes if hole < len(message.arguments))
    if packet[0] == midi.SYSEX:
        return any(isinstance(place, BySysEx) and place.sysex.match(packet) is not None for place in places)
    kind, channel = packet[0] & 0xF0, (packet[0] & 0x0F) + 1
    if kind == midi.CONTROL:
        return (packet[0], packet[1]) in taken or kept.get((channel, packet[1]), "bank") != "bank"
    return kind == midi.PROGRAM and profile.stored_scene is not None and channel == profile.stored_scene.channel
