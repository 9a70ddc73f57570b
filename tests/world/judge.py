"""What bytes to the desk mean, read by the published standards and none of the program.

MIDI 1.0 (control change, NRPN, program change, system exclusive), General MIDI Level 2 (volume: 40·log10(value / 127)
dB) and OSC 1.0, read by python-osc. Where each profile has its levels stands in its own file under `mappings/desks`;
the tables here were written from those files by hand.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator
from typing import Final, NamedTuple, TypeAlias

from pythonosc.osc_message import OscMessage

OFF: Final = -math.inf
"""The level `off`, dB."""

Points: TypeAlias = tuple[tuple[float, float], ...]

NRPN_POINTS: Final[Points] = ((0, OFF), (1, -90), (4096, -40), (8192, -20), (12288, 0), (16383, 10))
TRAVEL: Final[Points] = ((0, OFF), (0.0625, -60), (0.35, -30), (0.6, -12), (0.9, 3), (1, 6))


class Says(NamedTuple):
    """What a packet says. `kind`: level, ask, subscribe, stored or part (of a level that is not whole yet). `socket`
    None: the whole mix. `level`: dB."""

    kind: str
    mix: int = 0
    socket: int | None = None
    level: float = 0.0


class Strange(Exception):
    """Bytes that no desk of this profile has to be told."""


def between(points: Points, value: float) -> float:
    """The level at a value, on straight lines between points, dB. Below the second point there is only off."""
    if value < points[1][0]:
        return OFF
    for (left, low), (right, high) in itertools.pairwise(points[1:]):
        if value <= right + 1e-9:
            return low + (high - low) * (value - left) / (right - left)
    raise Strange(f"{value} is beyond the last point")


class Judge:
    """Reads what goes one way over one wire."""

    def __init__(self, profile: str) -> None:
        self._read: Callable[[bytes], Iterator[Says]] = {
            "control-change": self._controls,
            "nrpn": self._parameters,
            "sysex": self._sysex,
            "sysex-checksum": self._with_checksum,
            "osc-decibels": self._decibels,
            "osc-travel": self._travel,
        }[profile]
        self._known: dict[bytes, list[Says]] | None = None if profile == "nrpn" else {}
        """What was read before: but for parameters, the same bytes always say the same."""
        self._selected: dict[int, int] = {}
        self._msb: dict[int, int] = {}

    def read(self, packet: bytes) -> list[Says]:
        """Raises Strange where it is nothing that this profile has a message for."""
        if self._known is None:
            return list(self._read(packet))
        says = self._known.get(packet)
        if says is None:
            says = self._known[packet] = list(self._read(packet))
        return says

    def _controls(self, packet: bytes) -> Iterator[Says]:
        status, *rest = packet
        if status == 0xCF and len(rest) == 1:
            yield Says("stored")
            return
        if status & 0xF0 != 0xB0 or len(rest) != 2:
            raise Strange(packet.hex(" "))
        control, value = rest
        if control != 7 and not 16 <= control < 80:
            raise Strange(packet.hex(" "))
        level = OFF if value == 0 else 40 * math.log10(value / 127)
        yield Says("level", (status & 15) + 1, None if control == 7 else control - 15, level)

    def _parameters(self, packet: bytes) -> Iterator[Says]:
        status, *rest = packet
        if status == 0xC0 or (status == 0xB0 and rest[0] in (0, 32)):
            yield Says("stored")
            return
        if status != 0xB0 or len(rest) != 2 or rest[0] not in (99, 98, 6, 38):
            raise Strange(packet.hex(" "))
        control, value = rest
        if control in (99, 98):
            self._selected[control] = value
            yield Says("part")
            return
        if len(self._selected) < 2 or (control == 38 and 0 not in self._msb):
            raise Strange(f"{packet.hex(' ')} with nothing selected")
        number = self._selected[99] * 128 + self._selected[98]
        if control == 6:
            self._msb[0] = value
            yield Says("part")
            return
        level = between(NRPN_POINTS, self._msb[0] * 128 + value)
        if number < 256:
            yield Says("level", number - 127, None, level)
        else:
            yield Says("level", (number - 256) // 128 + 1, (number - 256) % 128 + 1, level)

    def _sysex(self, packet: bytes) -> Iterator[Says]:
        body = _body(packet, 0x7D)
        if body[0] == 0x10 and len(body) == 5:
            value = body[3] * 128 + body[4]
            yield Says("level", body[1] + 1, body[2] + 1, OFF if value == 0 else -90 + (value - 1) / 10)
        elif body[0] in (0x11, 0x12):
            yield Says("ask")
        else:
            raise Strange(packet.hex(" "))

    def _with_checksum(self, packet: bytes) -> Iterator[Says]:
        body = _body(packet, 0x7D)
        if body[0] != 0x20 or sum(body[1:]) % 128:
            raise Strange(packet.hex(" "))
        kind, rest = body[1], body[2:-1]
        if kind in (0x11, 0x12):
            yield Says("ask")
        elif kind in (0x01, 0x02):
            value = rest[-2] * 128 + rest[-1]
            level = OFF if value == 16383 else -90 + value / 10
            yield Says("level", rest[0] + 1, rest[1] - 31 if kind == 1 else None, level)
        else:
            raise Strange(packet.hex(" "))

    def _decibels(self, packet: bytes) -> Iterator[Says]:
        message = OscMessage(packet)
        match message.address.split("/"):
            case ["", "reports"]:
                yield Says("subscribe")
            case ["", "ask", "mix", mix, *where]:
                yield Says("ask", int(mix), _socket(where))
            case ["", "mix", mix, *where]:
                value = float(message.params[0])
                yield Says("level", int(mix), _socket(where), OFF if value <= -95 else value)
            case _:
                raise Strange(message.address)

    def _travel(self, packet: bytes) -> Iterator[Says]:
        message = OscMessage(packet)
        match message.address.split("/"):
            case ["", "reports"]:
                yield Says("subscribe")
            case ["", "ask", "mix", mix, "travel", socket]:
                yield Says("ask", int(mix), int(socket))
            case ["", "mix", mix, "travel", socket]:
                yield Says("level", int(mix), int(socket), between(TRAVEL, float(message.params[0])))
            case _:
                raise Strange(message.address)


def _socket(where: list[str]) -> int | None:
    return None if where == ["whole"] else int(where[1])


def _body(packet: bytes, maker: int) -> bytes:
    if packet[:2] != bytes((0xF0, maker)) or packet[-1] != 0xF7:
        raise Strange(packet.hex(" "))
    return packet[2:-1]
