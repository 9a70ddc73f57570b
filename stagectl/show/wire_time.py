"""How many bytes the desk's messages have, and how long they take on its link."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from stagectl.core.levels import OFF
from stagectl.core.link import Link
from stagectl.show.load import Show
from stagectl.show.profile import ProfileModel, SendModel
from stagectl.show.rig import RigModel
from stagectl.wire.midi import BYTE_NS

USB_MESSAGE_NS: Final = 100_000
"""A MIDI message over USB: a full-speed link carries 16 event packets of four bytes in each 1 ms frame (63 µs
each); some slack is left. A SysEx message fills an event packet with every three bytes (USB class
definition for MIDI devices 1.0, event packets; from memory)."""

USB_BYTES: Final = 3
"""MIDI bytes in one event packet."""

OSC_MESSAGE_NS: Final = 20_000
"""An OSC packet of some 60 bytes with its UDP, IP and Ethernet heads takes 12 µs at 100 Mbit/s."""


def link_of(profile: ProfileModel, rig: RigModel) -> Link:
    """The link to the desk, by the true lengths of its messages: those of a send, of a whole mix and of a stored scene
    may differ. None of them depends on the input, the mix or the level.

    On a DIN link a byte takes 320 µs (MIDI 1.0: 31,250 baud, ten bits a byte). Running status is not counted, since
    every message is handed over whole; a driver that leaves status bytes out is only quicker.
    """

    def ns(packets: Sequence[bytes]) -> int:
        return takes_ns(packets, profile, rig)

    mix, socket = rig.listeners[0].mix, rig.inputs[0].socket
    whole, stored = profile.whole_mix, profile.stored_scene
    return Link(
        message_ns=ns(_some(profile.send, socket, mix)),
        whole_ns=None if whole is None else ns(_some(whole, 1, mix)),
        stored_ns=None if stored is None else ns(stored.packets(1)),
    )


def takes_ns(packets: Sequence[bytes], profile: ProfileModel, rig: RigModel) -> int:
    """How long messages take on the desk's link, ns."""
    if profile.over == "osc":
        return OSC_MESSAGE_NS * len(packets)
    if rig.desk.link == "usb":
        return USB_MESSAGE_NS * sum(-(-len(packet) // USB_BYTES) for packet in packets)
    return BYTE_NS * sum(map(len, packets))


def bytes_of_sends(show: Show) -> tuple[int, ...]:
    """How many bytes tell the level of each send, in the order of the plan; 0 where the desk has no message for it."""
    rig, profile = show.rig, show.profile
    out = []
    for listener in rig.listeners:
        out += [_bytes(_some(profile.send, one.socket, listener.mix)) for one in rig.inputs]
        out.append(0 if profile.whole_mix is None else _bytes(_some(profile.whole_mix, 1, listener.mix)))
    return tuple(out)


def bytes_of_recall(show: Show, scene: int) -> int:
    """How many bytes recall a scene that the desk stores."""
    assert show.profile.stored_scene is not None
    return _bytes(show.profile.stored_scene.packets(scene))


def _some(send: SendModel, socket: int, mix: int) -> tuple[bytes, ...]:
    """The messages for some level, to measure by."""
    return send.say.packets(socket, mix, send.law().code(OFF))


def _bytes(packets: Sequence[bytes]) -> int:
    return sum(map(len, packets))
