"""Who is told or heard over OSC: is a host known, and is the UDP port of a pedal free?

A UDP packet says nothing of whether anybody takes it (RFC 768), so of a host that is only told something nobody knows
more than its address.
"""

from __future__ import annotations

import errno
import socket
from collections.abc import Iterator
from typing import Final

from stagectl.errors import DeviceError
from stagectl.ready.finding import Finding, fine, unknown, wrong
from stagectl.ready.room import Room

LOOK_UP_S: Final = 1.5
"""How long a name server may take to say an address, s."""


def hosts(room: Room) -> list[Finding]:
    """Pedals, players, devices and lamps over OSC."""
    played = room.player is not None
    found = [udp_port(name, port, played=played) for port, name in _pedals(room).items()]
    found += [
        one
        for pedal in room.show.rig.pedals
        if pedal.from_ is not None and (one := sender(pedal.name, pedal.from_, LOOK_UP_S)) is not None
    ]
    return found + [host(name, *end, LOOK_UP_S) for name, end in _told(room)]


def _pedals(room: Room) -> dict[int, str]:
    """The pedals by the UDP port that they share."""
    found: dict[int, str] = {}
    for pedal in room.show.rig.pedals:
        if pedal.osc_port is not None:
            before = f"{found[pedal.osc_port]}, " if pedal.osc_port in found else ""
            found[pedal.osc_port] = f"{before}{pedal.name}"
    return found


def _told(room: Room) -> Iterator[tuple[str, tuple[str, int]]]:
    rig = room.show.rig
    ends = [(one.name, one.host) for one in rig.players] + [(one.name, one.host) for one in rig.devices]
    for name, host_ in ends:
        if host_ is not None:
            yield name, host_
    for pedal in rig.pedals:
        end = pedal.lamps_end
        if room.show.mappings[pedal.mapping].lamps and end is not None and end.host is not None:
            yield f"lamps of {pedal.name}", end.host


def udp_port(what: str, port: int, *, played: bool = False) -> Finding:
    """Whether a pedal can be heard at a UDP port of this machine: it is taken for a moment, as a night does. `played`:
    whether this show's night has it now."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as trial:
        try:
            trial.bind(("0.0.0.0", port))
        except OSError as error:
            if error.errno == errno.EADDRINUSE and played:
                return unknown(what, f"UDP port {port} is taken, as it is while this show is played")
            if error.errno == errno.EADDRINUSE:
                do = "end the other program; `ss -ulpn` names it on Linux"
                return wrong(what, f"UDP port {port} is taken by another program", do)
            do = "ports below 1024 are for the system: say another in the rig" if error.errno == errno.EACCES else ""
            return wrong(what, f"UDP port {port} cannot be had: {error.strerror}", do or "say another port in the rig")
    return fine(what, f"UDP port {port} is free; a pedal over OSC is heard when it is pressed")


def host(what: str, name: str, port: int, within_s: float) -> Finding:
    """Whether the address of a host is known."""
    from stagectl.ports.look_up import Lookup

    try:
        found = Lookup(name, port).result(within_s)
    except DeviceError as error:
        return wrong(what, str(error), "mend its `host` in the rig, or look after the network")
    if found is None:
        return wrong(
            what, f"no address of `{name}` within {within_s:g} s", "look after the network and its name server"
        )
    return unknown(what, f"told over OSC at {found[1][0]}:{port}, which says nothing of whether it is heard")


def sender(what: str, name: str, within_s: float) -> Finding | None:
    """Whether it is known which address a pedal is heard from; None where the rig says the address itself."""
    from stagectl.ports.osc_senders import Host

    found = Host(name)
    if not found.is_name:
        return None
    found.look(0)
    found.wait(within_s)
    if found.addresses:
        return fine(what, f"heard from {name} alone, which is {', '.join(sorted(found.addresses))}")
    why = found.trouble or f"no answer within {within_s:g} s"
    do = "say its address under `from` in the rig, or look after the network and its name server"
    return wrong(what, f"heard from {name} alone, which has no address: {why}", do)
