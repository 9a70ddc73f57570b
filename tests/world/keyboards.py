"""Keyboard-type pedals, as the world has them: devices that come and go, and what their driver says.

A device is a pipe with events of evdev in it (Linux, input.rst: a C struct `llHHi`), read by the program's own port and
ear. Event codes: Linux, event-codes.rst. What is replaced is looking for devices, grabbing one and asking it which keys
are down.
"""

from __future__ import annotations

import os
import struct
from contextlib import suppress
from typing import TYPE_CHECKING, Final

from stagectl.errors import DeviceError
from stagectl.pedals.keyboard import Keyboard, KeyboardPort

if TYPE_CHECKING:
    from .night import World

EVENT: Final = struct.Struct("llHHi")
SYN, KEY = 0, 1
REPORT, DROPPED = 0, 3
UP, DOWN, REPEAT = 0, 1, 2

KEYS: Final = {"left": 104, "right": 109, "enter": 28}
"""Controls and their keys: page up, page down, enter (input-event-codes.h)."""

STRANGE: Final = 30
"""A key that no control stands for: `a`."""


class Device:
    """One keyboard. `held`: the keys that are down, whoever knows of it."""

    def __init__(self, world: World, name: str) -> None:
        self.name = name
        self.held: set[int] = set()
        self.port: KeyboardPort | None = None
        self._world = world
        self._path = world.folder / f"event {name}"
        self._writes: int | None = None
        self.plug()

    def plug(self) -> None:
        """It is connected: there is a file of it."""
        self._path.touch()

    def unplug(self) -> None:
        """It is gone, and whoever reads it finds its end. What is held down stays so."""
        self._path.unlink(missing_ok=True)
        if self._writes is not None:
            os.close(self._writes)
            self._writes = None
            self._readable()

    @property
    def listed(self) -> Keyboard:
        return Keyboard(self._path, self.name)

    def open(self) -> KeyboardPort:
        """Somebody listens, and nobody else any more."""
        self.let_go()
        reads, self._writes = os.pipe2(os.O_NONBLOCK | os.O_CLOEXEC)
        self.port = KeyboardPort(reads, self.name, self._path)
        return self.port

    def let_go(self) -> None:
        """Nobody listens."""
        if self.port is not None:
            self.port.close()
            self.port = None
        if self._writes is not None:
            os.close(self._writes)
            self._writes = None

    def moves(self, code: int, value: int) -> bool:
        """A key goes down or up, or repeats; whether anybody is told."""
        if value == REPEAT and code not in self.held:
            return False
        (self.held.discard if value == UP else self.held.add)(code)
        return self._say((KEY, code, value), (SYN, REPORT, 0))

    def loses(self, codes: tuple[int, ...]) -> bool:
        """The driver's buffer runs over while some keys come up: what is left of it is torn (SYN_DROPPED)."""
        self.held.difference_update(codes)
        return self._say((SYN, DROPPED, 0), *((KEY, code, DOWN) for code in codes), (SYN, REPORT, 0))

    def _say(self, *events: tuple[int, int, int]) -> bool:
        if self._writes is None or self.port is None or self.port.fileno() < 0:
            return False
        seconds, ns = divmod(self._world.now, 1_000_000_000)
        os.write(self._writes, b"".join(EVENT.pack(seconds, ns // 1000, *one) for one in events))
        self._readable()
        return True

    def _readable(self) -> None:
        if self.port is not None and self._world.life is not None:
            self._world.life.loop.readable(self.port.fileno())


class Keyboards:
    """All of them, by the names of their cables."""

    def __init__(self, world: World) -> None:
        self._world = world
        feet = enumerate(world.stage.feet)
        self.devices = {f"keyboard {at}": Device(world, f"keyboard {at}") for at, foot in feet if foot == "keys"}

    def listed(self) -> list[Keyboard]:
        """In the place of `keyboards` of `pedals/keyboard.py`."""
        return [one.listed for name, one in self.devices.items() if self._world.plugged[name]]

    def open(self, part: str) -> KeyboardPort:
        """In the place of `open_keyboard`."""
        found = self.devices.get(part)
        if found is None or not self._world.plugged[part]:
            raise DeviceError(f"no keyboard is called `{part}`")
        return found.open()

    def ask(self, file: int, _request: int, size: int) -> bytes:
        """In the place of the ioctl that says which keys are down: a bit for each key."""
        for one in self.devices.values():
            if one.port is not None and one.port.fileno() == file:
                return sum(1 << code for code in one.held).to_bytes(size, "little")
        raise OSError(19, os.strerror(19))

    def cable(self, name: str, *, plugged: bool) -> None:
        """A cable comes out, or goes in."""
        found = self.devices.get(name)
        if found is not None:
            found.plug() if plugged else found.unplug()

    def forget(self) -> None:
        """The process that listened is no more."""
        for one in self.devices.values():
            with suppress(OSError):
                one.let_go()
