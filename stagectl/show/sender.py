"""Who an OSC pedal is heard from: the value of `from` in the rig."""

from __future__ import annotations

import re
from ipaddress import AddressValueError, IPv4Address
from typing import Annotated, Any, Final, TypeAlias

from stagectl.show.values import Typed, plain, said

HOST_MAX: Final = 253
"""The longest name of a machine, characters (RFC 1035, 2.3.4, without the octets of the wire)."""

_LABEL: Final = r"[0-9a-z_]([0-9a-z_-]{0,61}[0-9a-z_])?"
"""A part of a name (RFC 1123, 2.1); the underscore is in many names all the same."""

_DOTTED: Final = r"[0-9.]+"

_ANY: Final = "such as `192.168.1.31`, without a port: a pedal sends from any"


def address(host: str) -> IPv4Address | None:
    """The address that a host is, where it is one and no name."""
    try:
        return IPv4Address(host)
    except AddressValueError:
        return None


class SenderText(Typed, frozen=True):
    """One machine: an IPv4 address, since pedals are listened for over IPv4, or a name, in small letters."""

    def parse(self, typed: Any) -> str:
        host = plain(typed).lower().removesuffix(".")
        found = address(host)
        if found is not None:
            if found.is_multicast or found.is_unspecified or found == IPv4Address("255.255.255.255"):
                raise ValueError(f"{said(typed)} is not the address of one machine, so no pedal sends from it")
            return host
        named = all(re.fullmatch(_LABEL, label) for label in host.split("."))
        # What looks like an address has to be one: a last label of digits alone is in no name (RFC 1123, 2.1).
        if len(host) > HOST_MAX or re.fullmatch(_DOTTED, host) or not named:
            raise ValueError(f"{said(typed)} is not the IPv4 address or the name of a machine, {_ANY}")
        return host

    def schema(self) -> dict[str, Any]:
        return {"type": "string", "pattern": r"^[0-9A-Za-z_]([0-9A-Za-z_.-]*[0-9A-Za-z_.])?$"}


Sender: TypeAlias = Annotated[str | None, SenderText()]
"""None only where it is left out: an empty `from` must not come to hearing everybody."""
