"""The wires of the stage, in the place of `stagectl.ports`: MIDI ports that come and go, and packets by UDP."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from stagectl.errors import DeviceError
from stagectl.ports.midi import InPort

if TYPE_CHECKING:
    from .night import World

Heard = Callable[[bytes, int], None]


class SimIn(InPort):
    """A port that is listened to."""

    def __init__(self, system: SimSystem, name: str, heard: Heard) -> None:
        self.name = name
        self.heard = heard
        self._system = system

    def close(self) -> None:
        ports = self._system.listening.get(self.name, [])
        if self in ports:
            ports.remove(self)


class SimOut:
    """A port that is sent to. One that was unplugged takes bytes, and nobody gets them."""

    def __init__(self, world: World, name: str) -> None:
        self.name = name
        self._world = world

    def send(self, packet: bytes) -> None:
        if self.name in self._world.failing:
            raise DeviceError(f"the MIDI port `{self.name}` takes no bytes")
        self._world.sent(self.name, packet)

    def relax(self) -> None:
        """Nothing is full here."""

    def close(self) -> None:
        """Nothing is open."""


class SimSystem:
    """The MIDI system. It lives for one process."""

    name = "world"
    answers = True

    def __init__(self, world: World) -> None:
        self._world = world
        self.listening: dict[str, list[SimIn]] = {}

    def inputs(self) -> list[str]:
        return [name for name in self.outputs() if not name.startswith(("box", "keys rig"))]

    def outputs(self) -> list[str]:
        return [name for name, here in self._world.plugged.items() if here and not name.startswith("keyboard")]

    def open_in(self, full_name: str, heard: Heard) -> SimIn:
        port = SimIn(self, full_name, heard)
        self.listening.setdefault(full_name, []).append(port)
        return port

    def open_out(self, full_name: str) -> SimOut:
        return SimOut(self._world, full_name)

    def close(self) -> None:
        """Nothing is open."""

    def deliver(self, name: str, packet: bytes, at: int) -> bool:
        """Bytes arrive at a port; whether anybody listens."""
        ports = list(self.listening.get(name, ()))
        for port in ports:
            port.heard(packet, at)
        return bool(ports)


class SimLookup:
    """Every host is known at once."""

    def __init__(self, host: str, port: int) -> None:
        self._found = (2, (host, port))

    def result(self, _: float) -> tuple[Any, Any]:
        return self._found


class SimUdp:
    """A socket to an OSC host, of the world that there is now."""

    world: World

    def __init__(self, name: str, _family: Any, address: Any) -> None:
        self.name = name
        self.strangers = 0
        self.to = address
        self.number = self.world.next_file()
        self._came: list[bytes] = []
        self.world.sockets[self.number] = self

    def send(self, packet: bytes) -> None:
        if "desk" in self.world.failing:
            raise DeviceError(f"{self.name} cannot be sent to: Network is unreachable")
        self.world.sent("desk", packet, self.number)

    def fileno(self) -> int:
        return self.number

    def came(self, packet: bytes) -> None:
        """A packet arrives at it."""
        self._came.append(packet)
        self.world.readable(self.number)

    def receive(self) -> bytes | None:
        packet = self._came.pop(0) if self._came else None
        if self._came:
            self.world.readable(self.number)
        return packet

    def relax(self) -> None:
        """A packet has left when it was sent."""

    def close(self) -> None:
        self.world.sockets.pop(self.number, None)
