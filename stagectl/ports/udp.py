"""UDP for OSC: sending to a host, and listening at a port inside an asyncio loop."""

from __future__ import annotations

import asyncio
import ipaddress
import select
import socket
import time
from collections.abc import Callable
from typing import Any, Final

from stagectl.errors import DeviceError
from stagectl.ports.look_up import Lookup

PACKET_MAX: Final = 65_535
"""Bytes of a UDP packet."""

STRANGERS_AT_ONCE: Final = 16
"""Packets from elsewhere that one look passes over."""


HERE: Final = "here"
"""This machine, whatever it is called."""

FULL_S: Final = 0.05
"""How long one packet waits for a link that is full, s: a fade over a weak Wi-Fi may be more than it carries at once.
What has no room then is no link."""

LOOKUP_S: Final = 0.5
"""How long a name server may take to say which machine a name is, s."""


def machines(host: str, wait_s: float = LOOKUP_S) -> frozenset[str]:
    """What a host comes to, whichever of its names or addresses it is given by: its addresses, `HERE` for all of this
    machine's own; the name itself where nothing more is known in time."""
    lookup = Lookup(host)
    lookup.wait(wait_s)
    return frozenset(map(_machine, lookup.addresses)) or frozenset((host.lower().rstrip("."),))


def _machine(address: str) -> str:
    """An address in the one way to write it, or `HERE`."""
    try:
        found = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address.lower()
    plain = getattr(found, "ipv4_mapped", None) or found
    if plain.is_loopback or plain.is_unspecified or _is_own(address, plain.version):
        return HERE
    return str(plain)


def _is_own(address: str, version: int) -> bool:
    """Whether an address is one of this machine's: then what is sent to it comes from it. Nothing is sent."""
    with socket.socket(socket.AF_INET if version == 4 else socket.AF_INET6, socket.SOCK_DGRAM) as asks:
        try:
            asks.connect((address, 9))
        except OSError:
            return False
        return str(asks.getsockname()[0]) == address


class UdpOut:
    """An OSC device that is sent to, by its address family and address. Sending waits for a full link alone, and no
    longer than `FULL_S`."""

    def __init__(self, name: str, family: Any, address: Any) -> None:
        self.name = name
        self.strangers = 0
        """Packets from elsewhere, which were not taken."""
        self.to = address
        self._socket = socket.socket(family, socket.SOCK_DGRAM)
        self._socket.setblocking(False)

    def send(self, packet: bytes) -> None:
        """Send one packet. Raises DeviceError."""
        try:
            try:
                self._socket.sendto(packet, self.to)
            except BlockingIOError:
                select.select((), (self._socket,), (), FULL_S)
                self._socket.sendto(packet, self.to)
        except OSError as error:
            raise DeviceError(f"{self.name} cannot be sent to: {error.strerror or error}") from error

    def fileno(self) -> int:
        """The socket's number, for a loop that waits for answers."""
        return self._socket.fileno()

    def receive(self) -> bytes | None:
        """The next packet of this host that has come in, or None. Packets of other hosts are counted."""
        for _ in range(STRANGERS_AT_ONCE):
            try:
                packet, sender = self._socket.recvfrom(PACKET_MAX)
            except OSError:
                return None
            if sender[0] == self.to[0]:
                return packet
            self.strangers += 1
        return None

    def relax(self) -> None:
        """See `ports.midi.OutPort`: a packet has left when it was sent."""

    def close(self) -> None:
        """Let go of the socket."""
        self._socket.close()


class _Listener(asyncio.DatagramProtocol):
    def __init__(self, heard: Callable[[bytes, int, Any], None]) -> None:
        self.heard = heard

    def datagram_received(self, data: bytes, addr: Any) -> None:
        self.heard(data, time.monotonic_ns(), addr)

    def error_received(self, exc: Exception) -> None:
        """An answer that a packet could not be delivered: nothing was heard."""


async def listen(host: str, port: int, heard: Callable[[bytes, int, Any], None]) -> asyncio.DatagramTransport:
    """Listen for packets; `heard` gets the bytes, the monotonic time (ns) and the sender. Raises DeviceError."""
    loop = asyncio.get_running_loop()
    try:
        transport, _ = await loop.create_datagram_endpoint(lambda: _Listener(heard), local_addr=(host, port))
    except OSError as error:
        raise DeviceError(f"UDP port {port} cannot be listened at: {error.strerror or error}") from error
    return transport
