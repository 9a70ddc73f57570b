"""OSC 1.0 packets, by the python-osc library, with what it lets through refused here.

Source: the OSC 1.0 specification. A message with a type tag that is not known is discarded whole, because what
follows an argument of unknown length cannot be read.
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple, TypeAlias

from stagectl.errors import WireError

Argument: TypeAlias = int | float | str | bool | bytes | None

KNOWN_TAGS: Final = frozenset("ifsbTFhdtmcrNI[]")
"""Type tags that the library reads with their right length."""

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


def parse(packet: bytes, depth: int = 0) -> list[OscMessage]:
    """The messages of a packet, bundles flattened (their time tags are not waited for).

    Raises WireError where the packet is not OSC, holds an unknown type tag or a number that is not finite.
    """
    from pythonosc.osc_bundle import OscBundle
    from pythonosc.osc_bundle import ParseError as BundleError
    from pythonosc.osc_message import OscMessage as Parsed
    from pythonosc.osc_message import ParseError
    from pythonosc.parsing.osc_types import ParseError as TypeParseError

    if depth > BUNDLES_MAX:
        raise WireError(f"bundles stand in bundles more than {BUNDLES_MAX} deep")
    try:
        if OscBundle.dgram_is_bundle(packet):
            _check_bundle(packet)
            out: list[OscMessage] = []
            for at, size in _elements(packet):
                out += parse(packet[at : at + size], depth + 1)
            return out
        _check_tags(packet)
        message = Parsed(packet)
        arguments = tuple(_finite(argument) for argument in message.params)
        return [OscMessage(message.address, arguments)]
    except (ParseError, BundleError, TypeParseError, UnicodeDecodeError, IndexError, ValueError) as error:
        raise WireError(f"not an OSC packet: {error}") from error


def _check_bundle(packet: bytes) -> None:
    if len(packet) < 16:
        raise WireError("not an OSC packet: a bundle without its time tag")


def _elements(packet: bytes) -> list[tuple[int, int]]:
    """Where the elements of a bundle begin and how long they are."""
    at, out = 16, []
    while at < len(packet):
        size = int.from_bytes(packet[at : at + 4], "big")
        at += 4
        if size % 4 or size <= 0 or at + size > len(packet):
            raise WireError("not an OSC packet: an element of a bundle is longer than the bundle")
        out.append((at, size))
        at += size
    return out


def _check_tags(packet: bytes) -> None:
    """Refuse what the library would skip without advancing."""
    end = packet.find(b"\0")
    if end < 1 or packet[:1] != b"/":
        raise WireError("not an OSC packet: no address")
    at = (end // 4 + 1) * 4
    if at >= len(packet):
        return
    stop = packet.find(b"\0", at)
    tags = packet[at : stop if stop >= 0 else len(packet)].decode("ascii", "replace")
    if not tags.startswith(","):
        raise WireError("not an OSC packet: no type tags")
    unknown = sorted(set(tags[1:]) - KNOWN_TAGS)
    if unknown:
        raise WireError(f"the OSC type tag `{unknown[0]}` is not known: the message is discarded")


def _finite(argument: object) -> Argument:
    if isinstance(argument, float) and not math.isfinite(argument):
        raise WireError(f"an OSC argument is {argument}, which is no number")
    if isinstance(argument, int | float | str | bool | bytes) or argument is None:
        return argument
    return str(argument)


def osc_text(message: OscMessage) -> str:
    """The message as people read it: `/mix/2/from/5 -12.5`."""
    said = (
        f"{a:.6g}" if isinstance(a, float) else repr(a) if isinstance(a, str) else str(a) for a in message.arguments
    )
    return " ".join((message.address, *said))
