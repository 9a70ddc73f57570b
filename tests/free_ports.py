"""Ports that nobody has, for programs that are told theirs before they take it."""

from __future__ import annotations

import random
import socket
from contextlib import closing
from typing import Final

OWN: Final = range(20_000, 32_000)
"""Below those that the system gives to sockets that ask for any (Linux: from 32,768 on; IANA: from 49,152 on), so that
no other test's socket is given one meanwhile."""

_random = random.SystemRandom()


def free_port() -> int:
    """A port that nobody has, neither over UDP nor over TCP, and hardly anybody gets until it is taken."""
    while True:
        port = _random.choice(OWN)
        if all(_is_free(port, kind) for kind in (socket.SOCK_DGRAM, socket.SOCK_STREAM)):
            return port


def _is_free(port: int, kind: int) -> bool:
    with closing(socket.socket(socket.AF_INET, kind)) as found:
        try:
            found.bind(("0.0.0.0", port))
        except OSError:
            return False
    return True
