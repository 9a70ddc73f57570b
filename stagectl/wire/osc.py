"""OSC 1.0 packets. They are built by the python-osc library and read here, strictly.

Source: the OSC 1.0 specification. A message with a type tag that is not known is discarded whole, because what
follows an argument of unknown length cannot be read; the others of its bundle are not. A packet that is cut short is
refused: the library would read a missing number as 0, which is a level.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Iterator
from typing import Any, Final, NamedTuple, TypeAlias

from stagectl.errors import WireError

Argument: TypeAlias = int | float | str | bool | bytes | None

FIXED_TAGS: Final = {
    tag: struct.Struct(shape)
    for tag, shape in {"i": ">i", "f": ">f", "h": ">q", "d": ">d", "t": ">Q", "c": ">I", "r": ">4s", "m": ">4s"}.items()
}
"""Type tags of arguments with a fixed length. A character, a colour and a MIDI message are left as they stand."""

BARE_TAGS: Final[dict[str, Argument]] = {"T": True, "F": False, "N": None, "I": True}
"""Type tags whose argument takes no bytes."""

BUNDLE: Final = b"#bundle\0"

PACKET_MAX: Final = 65_507
"""The longest UDP payload over IPv4, bytes."""

BUNDLES_MAX: Final = 4
"""How deep bundles may stand in bundles."""

NOT_IN_ADDRESS: Final = frozenset(" #*,?[]{}")
"""Characters that no part of an address may hold (the specification also keeps `/` for the parts)."""


class OscMessage(NamedTuple):
    """An address and its arguments."""

    address: str
    arguments: tuple[Argument, ...] = ()


def check_address(address: str) -> str:
    """The address, if it is one: it begins with `/`, is printable ASCII and holds no character of patterns."""
    if not address.startswith("/") or len(address) < 2:
        raise WireError(f"an OSC address begins with `/`, as in `/pedal/left`; this is `{address}`")
    bad = sorted({char for char in address if char in NOT_IN_ADDRESS or not " " < char <= "~"})
    if bad:
        raise WireError(f"an OSC address cannot hold `{bad[0]}`; this is `{address}`")
    return address


def build(address: str, arguments: tuple[Argument, ...] = (), types: str | None = None) -> bytes:
    """A packet with one message. `types`: OSC type tags such as `if`; from the values where left out
    (int i, float f, text s, bool T or F, bytes b)."""
    from pythonosc.osc_message_builder import BuildError, OscMessageBuilder

    builder = OscMessageBuilder(address=address)
    try:
        for at, argument in enumerate(arguments):
            builder.add_arg(argument, types[at] if types else None)
        return builder.build().dgram
    except (BuildError, ValueError, OverflowError) as error:
        raise WireError(f"{address} cannot be said with {arguments}: {error}") from error


class _DiscardedError(WireError):
    """One message makes no sense; what is beside it in a bundle does."""


class OscPacket(NamedTuple):
    """The messages of a packet, bundles flattened (their time tags are not waited for); and why others were
    `discarded`: they hold an unknown type tag, or a number that is not finite."""

    messages: list[OscMessage]
    discarded: list[str]


def read(packet: bytes) -> OscPacket:
    """What a packet says. Raises WireError where the packet is not OSC, or is cut short or too long for its type tags:
    nothing of such a packet is used."""
    found = OscPacket([], [])
    for one in _in(packet, 0):
        try:
            found.messages.append(_message(one))
        except _DiscardedError as error:
            found.discarded.append(str(error))
    return found


def parse(packet: bytes) -> list[OscMessage]:
    """The messages of a packet that has to make sense throughout. Raises WireError where it does not."""
    found = read(packet)
    if found.discarded:
        raise WireError(found.discarded[0])
    return found.messages


def _in(packet: bytes, depth: int) -> Iterator[bytes]:
    """The messages of a packet, one by one."""
    if depth > BUNDLES_MAX:
        raise WireError(f"bundles stand in bundles more than {BUNDLES_MAX} deep")
    if len(packet) % 4:
        raise WireError("not an OSC packet: its length is no multiple of 4")
    if packet.startswith(BUNDLE):
        for element in _elements(packet):
            yield from _in(element, depth + 1)
    else:
        yield packet


def _elements(packet: bytes) -> Iterator[bytes]:
    """The elements of a bundle, behind its time tag."""
    if len(packet) < len(BUNDLE) + 8:
        raise WireError("not an OSC packet: a bundle without its time tag")
    at = len(BUNDLE) + 8
    while at < len(packet):
        size = int.from_bytes(packet[at : at + 4], "big")
        at += 4
        if size % 4 or size == 0 or at + size > len(packet):
            raise WireError("not an OSC packet: an element of a bundle is longer than the bundle")
        yield packet[at : at + size]
        at += size


def _message(packet: bytes) -> OscMessage:
    if packet[:1] != b"/":
        raise WireError("not an OSC packet: no address")
    raw, at = _string(packet, 0)
    address = _decode(raw, "ascii")
    if not address.isprintable():
        # It is told to people as it stands, and would move a terminal's cursor.
        raise WireError("not an OSC packet: its address holds a control character")
    if at == len(packet):
        # The specification asks receivers to bear with senders that leave the type tags out.
        return OscMessage(address)
    tags, at = _string(packet, at)
    if tags[:1] != b",":
        raise WireError("not an OSC packet: no type tags")
    arguments: list[Argument] = []
    for tag in _decode(tags[1:], "ascii"):
        argument, at = _argument(tag, packet, at)
        arguments.append(argument)
    if at != len(packet):
        raise WireError("not an OSC packet: more bytes than its type tags say")
    return OscMessage(address, tuple(arguments))


def _argument(tag: str, packet: bytes, at: int) -> tuple[Argument, int]:
    """An argument, and where the next one begins."""
    if tag in BARE_TAGS:
        return BARE_TAGS[tag], at
    if tag in "sS":
        raw, at = _string(packet, at)
        return _decode(raw, "utf-8"), at
    if tag == "b":
        size, at = _fixed("i", packet, at)
        end = at + int(size)
        if size < 0 or end + -end % 4 > len(packet):
            raise WireError("not an OSC packet: a blob is longer than the packet")
        return packet[at:end], end + -end % 4
    if tag not in FIXED_TAGS:
        said = tag if tag.isprintable() else f"{ord(tag):02X}"
        raise _DiscardedError(f"the OSC type tag `{said}` is not known: the message is discarded")
    value, at = _fixed(tag, packet, at)
    if isinstance(value, float) and not math.isfinite(value):
        raise _DiscardedError(f"an OSC argument is {value}, which is no number")
    return value, at


def _fixed(tag: str, packet: bytes, at: int) -> tuple[Any, int]:
    shape = FIXED_TAGS[tag]
    end = at + shape.size
    if end > len(packet):
        raise WireError("not an OSC packet: an argument is missing")
    return shape.unpack_from(packet, at)[0], end


def _string(packet: bytes, at: int) -> tuple[bytes, int]:
    """The bytes up to the null, and where the next part begins: strings fill up to a multiple of 4 with nulls."""
    end = packet.find(b"\0", at)
    if end < 0:
        raise WireError("not an OSC packet: a string without its end")
    return packet[at:end], (end // 4 + 1) * 4


def _decode(raw: bytes, encoding: str) -> str:
    try:
        return raw.decode(encoding)
    except UnicodeDecodeError as error:
        raise WireError("not an OSC packet: a string is not text") from error


def osc_text(message: OscMessage) -> str:
    """The message as people read it: `/mix/2/from/5 -12.5`."""
    said = (
        f"{a:.6g}" if isinstance(a, float) else repr(a) if isinstance(a, str) else str(a) for a in message.arguments
    )
    return " ".join((message.address, *said))
