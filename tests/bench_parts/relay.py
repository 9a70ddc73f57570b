"""A wire between the program and its desk, over UDP: it passes on both ways, stamps what the program tells of some
sends, and can be pulled out."""

from __future__ import annotations

import select
import socket
import threading
import time
from collections.abc import Sequence
from contextlib import suppress
from queue import Empty, Queue
from typing import Final

HELD_MAX: Final = 1_000
"""Packets of a send that are kept until somebody looks; the oldest go."""

AT_ONCE_MAX: Final = 65_536


class Relay:
    """Listens at `port`, and passes on to `desk_port` of this machine. `heads`: how packets of a level begin that are
    stamped (a question has the address alone, and is none)."""

    def __init__(self, desk_port: int, heads: Sequence[bytes]) -> None:
        self._near = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._near.bind(("127.0.0.1", 0))
        self.port: int = self._near.getsockname()[1]
        self._far = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._far.bind(("127.0.0.1", 0))
        self._desk = ("127.0.0.1", desk_port)
        self._told: dict[bytes, Queue[tuple[int, bytes]]] = {head: Queue(HELD_MAX) for head in heads}
        self._out = threading.Event()
        self._over = threading.Event()
        self.passed = 0
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def pull(self) -> None:
        """The cable is out: nothing passes."""
        self._out.set()

    def plug(self) -> None:
        """And in again."""
        self._out.clear()

    def told(self, head: bytes, limit_s: float) -> tuple[int, bytes] | None:
        """What the program told of a send, and when, monotonic ns; None where nothing comes."""
        with suppress(Empty):
            return self._told[head].get(timeout=limit_s) if limit_s else self._told[head].get_nowait()
        return None

    def close(self) -> None:
        """The end."""
        self._over.set()
        self._thread.join()
        self._near.close()
        self._far.close()

    def _run(self) -> None:
        program: tuple[str, int] | None = None
        while not self._over.is_set():
            for one in select.select((self._near, self._far), (), (), 0.1)[0]:
                packet, sender = one.recvfrom(AT_ONCE_MAX)
                at = time.monotonic_ns()
                if one is self._near:
                    program = sender
                if self._out.is_set():
                    continue
                self.passed += 1
                if one is self._far:
                    if program is not None:
                        self._near.sendto(packet, program)
                    continue
                self._stamp(packet, at)
                self._far.sendto(packet, self._desk)

    def _stamp(self, packet: bytes, at: int) -> None:
        for head, told in self._told.items():
            if packet.startswith(head) and len(packet) == len(head) + 4:
                if told.full():
                    with suppress(Empty):
                        told.get_nowait()
                told.put((at, packet))
