"""Presses on real ports, timed until the first byte of their own answer.

An answer is known by what it says: of a nudge, a level on the right side of the one before; of a bare way, the number
that went in. Whatever else comes is a stray, and never an answer. A press without an answer is lost and has no time;
some presses after it have none either, since what they hear may be meant for the lost one.
"""

from __future__ import annotations

import random
import socket
import struct
import time
from collections.abc import Callable, Mapping
from queue import Empty, Queue
from typing import Final, NamedTuple, Protocol

LOST_S: Final = 1.0
"""A press without an answer for so long is lost, s."""

UNSURE: Final = 4
"""Presses after a lost one that have no time."""

WARM: Final = 20
"""Presses of each way before anything counts."""

WARM_BLOCK: Final = 5
"""Presses at the beginning of each block that do not count: meanwhile the other way had the machine."""

PAUSE_S: Final = (0.002, 0.006)
"""A foot's pauses, s: chance, so that presses begin anywhere in a period of JACK."""


class Wire(Protocol):
    """From a foot to a desk."""

    def send(self, packet: bytes) -> None:
        """The foot says something."""

    def hear(self, limit_s: float) -> tuple[int, bytes] | None:
        """What the desk hears next, and when, monotonic ns; None where nothing comes within the limit."""

    def close(self) -> None:
        """Let go of it."""


class MidiWire:
    """A foot and a desk on virtual JACK ports, `NAMEfoot:out` and `NAMEdesk:in`."""

    def __init__(self, name: str) -> None:
        import rtmidi

        self._foot = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name=f"{name}foot")
        self._foot.open_virtual_port("out")
        self._desk = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, name=f"{name}desk")
        self._desk.open_virtual_port("in")
        self._heard: Queue[tuple[int, bytes]] = Queue()
        self._desk.set_callback(lambda event, _: self._heard.put((time.monotonic_ns(), bytes(event[0]))))

    def send(self, packet: bytes) -> None:
        self._foot.send_message(packet)

    def hear(self, limit_s: float) -> tuple[int, bytes] | None:
        try:
            return self._heard.get(timeout=limit_s) if limit_s else self._heard.get_nowait()
        except Empty:
            return None

    def close(self) -> None:
        for port in (self._foot, self._desk):
            port.close_port()
            port.delete()


class UdpWire:
    """A foot and a desk on sockets of this machine. `to`: the port that the foot sends to, once it is known."""

    def __init__(self) -> None:
        self._foot = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._desk = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._desk.bind(("127.0.0.1", 0))
        self.desk_port: int = self._desk.getsockname()[1]
        self.to = 0

    def send(self, packet: bytes) -> None:
        self._foot.sendto(packet, ("127.0.0.1", self.to))

    def hear(self, limit_s: float) -> tuple[int, bytes] | None:
        self._desk.settimeout(limit_s)
        try:
            packet = self._desk.recv(4096)
        except (TimeoutError, BlockingIOError):
            return None
        return time.monotonic_ns(), packet

    def close(self) -> None:
        self._foot.close()
        self._desk.close()


class Foot(Protocol):
    """What a foot says, and what the answer to it is."""

    def down(self) -> bytes:
        """The next press."""

    def up(self) -> bytes:
        """Its release."""

    def answers(self, packet: bytes) -> bool | None:
        """Whether that is the answer; None where it may be one."""

    def forget(self) -> None:
        """The last press was lost."""


class Nudges:
    """Up and down in turn. `keys`: the two presses and their releases; `level`: what a packet says of the send that is
    nudged, None where it says nothing of it."""

    def __init__(self, keys: tuple[tuple[bytes, bytes], tuple[bytes, bytes]], level: Callable[[bytes], float | None]):
        self._keys, self._level = keys, level
        self._at = 0
        self._last: float | None = None

    def down(self) -> bytes:
        self._at += 1
        return self._keys[self._at % 2][0]

    def up(self) -> bytes:
        return self._keys[self._at % 2][1]

    def answers(self, packet: bytes) -> bool | None:
        level = self._level(packet)
        if level is None:
            return False
        last = self._last
        if last is None:
            self._last = level
            return None
        # The second key is up; it comes first.
        right = level > last if self._at % 2 else level < last
        if right:
            self._last = level
        return right

    def forget(self) -> None:
        self._last = None


class Numbers:
    """For a bare way, which passes on the number of each press. `says`: the press of a number; `passed`: what it comes
    to; `release`: what is passed on by nobody; `most`: how many numbers there are."""

    def __init__(self, says: Callable[[int], bytes], passed: Callable[[int], bytes], release: bytes, most: int) -> None:
        self._says, self._passed, self._release, self._most = says, passed, release, most
        self._at = 0

    def down(self) -> bytes:
        self._at = (self._at + 1) % self._most
        return self._says(self._at)

    def up(self) -> bytes:
        return self._release

    def answers(self, packet: bytes) -> bool | None:
        return packet == self._passed(self._at)

    def forget(self) -> None:
        """The next number is another one."""


class Presser:
    """Presses one way, and counts what was lost and what was no answer."""

    def __init__(self, wire: Wire, foot: Foot) -> None:
        self.wire, self.foot = wire, foot
        self.lost = 0
        self.strays = 0
        self._unsure = 0

    def press(self) -> int | None:
        """A press, and its release when the answer is there: ns until the answer; None where it is not known."""
        while self.wire.hear(0) is not None:
            self.strays += 1
        packet = self.foot.down()
        began = time.monotonic_ns()
        ends = began + round(LOST_S * 1e9)
        self.wire.send(packet)
        taken: int | None = None
        while True:
            heard = self.wire.hear(max(0, ends - time.monotonic_ns()) / 1e9)
            if heard is None:
                self.lost += 1
                self._unsure = UNSURE
                self.foot.forget()
                break
            right = self.foot.answers(heard[1])
            if right is False:
                self.strays += 1
                continue
            if right and not self._unsure:
                taken = heard[0] - began
            self._unsure = max(0, self._unsure - 1)
            break
        self.wire.send(self.foot.up())
        return taken

    def note(self) -> str:
        """What was lost, and what was no answer."""
        return f"lost {self.lost}" + (f", strays {self.strays}" if self.strays else "")


class Way(NamedTuple):
    """What presses took, ns, block by block, and what else is to be said."""

    blocks: list[list[int]]
    note: str


def in_blocks(
    ways: Mapping[str, Presser],
    blocks: int,
    presses: int,
    *,
    warm: int = WARM,
    cold: int = WARM_BLOCK,
    pause_s: tuple[float, float] = PAUSE_S,
) -> dict[str, Way]:
    """So many presses each way, a block of one and a block of the other. `warm`: presses before anything counts;
    `cold`: before each block. Raises SystemExit where a block has none that was answered."""
    phase = random.Random(1)

    def some(presser: Presser, number: int) -> list[int | None]:
        out = []
        for _ in range(number):
            time.sleep(phase.uniform(*pause_s))
            out.append(presser.press())
        return out

    for presser in ways.values():
        some(presser, warm)
        presser.lost = presser.strays = 0
    taken: dict[str, list[list[int]]] = {name: [] for name in ways}
    for _ in range(blocks):
        for name, presser in ways.items():
            one = [taken for taken in some(presser, presses + cold)[cold:] if taken is not None]
            if not one:
                raise SystemExit(f"{name}: none of {presses} presses was answered within {LOST_S} s")
            taken[name].append(one)
    return {name: Way(taken[name], presser.note()) for name, presser in ways.items()}


def osc_level(head: bytes) -> Callable[[bytes], float | None]:
    """What an OSC packet says with a single float after this head (OSC 1.0: big-endian, four bytes)."""

    def level(packet: bytes) -> float | None:
        if not packet.startswith(head) or len(packet) != len(head) + 4:
            return None
        return float(struct.unpack(">f", packet[-4:])[0])

    return level
