"""TCP for the pages: an address of this machine."""

from __future__ import annotations

import os
import socket


def bound(host: str, port: int) -> socket.socket:
    """A socket that has an address, and does not listen yet. `port`: 0 is any. Raises OSError where it cannot be
    had."""
    kind, _, _, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)[0]
    made = socket.socket(kind, socket.SOCK_STREAM)
    try:
        if os.name == "posix":
            # Elsewhere this would let two programs have the same port.
            made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        made.bind(address)
    except OSError:
        made.close()
        raise
    return made
