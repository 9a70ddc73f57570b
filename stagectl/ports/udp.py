"""UDP for OSC: sending to a host, and listening at a port inside an asyncio loop."""

from __future__ import annotations

import asyncio
import socket
import time
from collections.abc import Callable
from typing import Any

from stagectl.errors import DeviceError


class UdpOut:
    """An OSC device that is sent to. Sending never waits. Raises DeviceError where the host has no address."""

    def __init__(self, host: str, port: int) -> None:
        self.name = f"{host}:{port}"
        try:
            found = socket.getaddrinfo(host, port, type=socket.SOCK_DGRAM)[0]
        except OSError as error:
            raise DeviceError(f"the OSC host `{host}` is not known: {error.strerror or error}") from error
        self._to = found[4]
        self._socket = socket.socket(found[0], socket.SOCK_DGRAM)
        self._socket.setblocking(False)

    def send(self, packet: bytes) -> None:
        """Send one packet."""
        try:
            self._socket.sendto(packet, self._to)
        except OSError as error:
            raise DeviceError(f"{self.name} cannot be sent to: {error.strerror or error}") from error

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
