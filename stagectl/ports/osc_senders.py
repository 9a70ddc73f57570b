"""Whose an OSC packet is: the pedals of one UDP port, told apart by the host that it comes from.

OSC 1.0 knows no sender, so the address on the packet has to do. Whoever is on that network can forge it (RFC 768 has
nothing against that): it keeps mistakes out, and whoever only has a pedal's port, not somebody who is bent on it.

A packet from a pedal's host is that pedal's alone. Where a host has a name, it is looked up in a thread of its own, and
until its address is known nothing is its own; it is looked up again while it has none, and when somebody unknown sends,
since it may have been given another. A name server that fails takes nothing away.
"""

from __future__ import annotations

import socket
from collections.abc import Iterator, Mapping
from ipaddress import AddressValueError, IPv4Address
from typing import Final

from stagectl.ports.look_up import Lookup

LOOK_AGAIN_NS: Final = 5_000_000_000
"""Time between two look-ups of one name, ns."""

TOLD_MAX: Final = 8
"""Unknown hosts that are told of one by one in a night; what they send is counted all the same."""


class Host:
    """A machine by its IPv4 address or its name. `addresses`: those that it is known to have; `trouble`: why it has
    none."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.addresses: frozenset[str] = frozenset()
        self.trouble: str | None = None
        self._asked_at: int | None = None
        self._lookup: Lookup | None = None
        try:
            self.addresses = frozenset((str(IPv4Address(name)),))
            self.is_name = False
        except AddressValueError:
            self.is_name = True

    def look(self, now: int) -> None:
        """Look a name up anew, unless that is going on, or was done just now. `now`: monotonic, ns."""
        soon = self._asked_at is not None and now - self._asked_at < LOOK_AGAIN_NS
        if not self.is_name or soon or (self._lookup is not None and self._lookup.goes_on):
            return
        self._asked_at = now
        self._lookup = Lookup(self.name, family=socket.AF_INET, over=self._over)

    def _over(self, lookup: Lookup) -> None:
        self.trouble = lookup.trouble
        if lookup.trouble is None:
            self.addresses = frozenset(lookup.addresses)

    def wait(self, wait_s: float) -> None:
        """Wait for the look-up, but not for longer, s."""
        if self._lookup is not None:
            self._lookup.wait(wait_s)


class Senders:
    """The pedals of a UDP port. `hosts`: the host that each is heard from, None for any that is no other pedal's.
    `strangers`: packets that were nobody's."""

    def __init__(self, port: int, hosts: Mapping[int, str | None]) -> None:
        self.port = port
        self.strangers = 0
        self._named = {name: Host(name) for name in hosts.values() if name is not None}
        self._of = {name: tuple(pedal for pedal, host in hosts.items() if host == name) for name in self._named}
        self._others = tuple(pedal for pedal, host in hosts.items() if host is None)
        self._seen: dict[str, None] = {}
        self._told: set[str] = set()

    def of(self, address: str, now: int) -> tuple[int, ...]:
        """The pedals that a packet from an address can be of; none where it is nobody's. `now`: monotonic, ns."""
        for host in self._named.values():
            if address in host.addresses:
                return self._of[host.name]
        self.look(now)
        if not self._others:
            self.strangers += 1
            if len(self._seen) < TOLD_MAX:
                self._seen[address] = None
        return self._others

    def look(self, now: int, *, missing: bool = False) -> None:
        """Look names up; where `missing`, only those that have no address yet."""
        for host in self._named.values():
            if not (missing and host.addresses):
                host.look(now)

    def troubles(self) -> Iterator[str]:
        """What is wrong, each sentence once for as long as it holds: hosts without an address, and who else sends."""
        hold = {
            f"the host `{host.name}` has no address ({host.trouble}), so no pedal is heard from it"
            for host in self._named.values()
            if host.trouble is not None and not host.addresses
        } | {
            f"{address} sends to UDP port {self.port}, where only {self._names} is heard; mend the rig if it is a pedal"
            for address in self._seen
        }
        yield from sorted(hold - self._told)
        self._told = hold

    @property
    def _names(self) -> str:
        return " or ".join(
            host.name if not host.is_name else f"{host.name} ({', '.join(sorted(host.addresses)) or 'no address yet'})"
            for host in self._named.values()
        )
