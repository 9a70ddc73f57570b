"""What is on the end of each wire: links that look for their port, find it, and notice when it is gone."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import Protocol

from stagectl.errors import DeviceError
from stagectl.ports.midi import InPort, MidiSystem, OutPort, find
from stagectl.ports.udp import UdpOut
from stagectl.show.rig import LinkedModel


class Link(Protocol):
    """Something that may be here or not."""

    name: str
    wants: str

    @property
    def here(self) -> bool:
        """Whether it can be used now."""
        ...

    def look(self, system: MidiSystem | None, names: Sequence[str], taken: set[str]) -> bool | None:
        """Look for the port among the `names` that there are now. True: it came; False: it went; None: as before.
        `taken` holds the ports that others listen to."""
        ...

    def close(self) -> None:
        """Let go of it."""
        ...


class OutLink:
    """The desk, a player or a device: bytes go out to it."""

    def __init__(self, name: str, model: LinkedModel) -> None:
        self.name = name
        self._model = model
        self._port: OutPort | None = None
        self.wants = model.port or "{}:{}".format(*(model.host or ("", 0)))

    @property
    def here(self) -> bool:
        """Whether bytes can go out now."""
        return self._port is not None

    @property
    def is_midi(self) -> bool:
        """Whether it is on a MIDI port."""
        return self._model.port is not None

    def send(self, packet: bytes) -> None:
        """Send one message. Raises DeviceError where it is not here or takes no bytes."""
        if self._port is None:
            raise DeviceError(f"`{self.wants}` is not here")
        self._port.send(packet)

    def drop(self) -> None:
        """Count it as gone; `look` may find it again."""
        port, self._port = self._port, None
        if port is not None:
            port.close()

    def look(self, system: MidiSystem | None, names: Sequence[str], taken: set[str]) -> bool | None:
        """See `Link.look`."""
        if self._model.host is not None:
            return self._look_up(*self._model.host)
        if self._port is not None:
            if self._port.name in names:
                return None
            self.drop()
            return False
        full = find(self.wants, list(names))
        if full is None or system is None:
            return None
        with suppress(DeviceError):
            self._port = system.open_out(full)
            return True
        return None

    def _look_up(self, host: str, port: int) -> bool | None:
        if self._port is None:
            with suppress(DeviceError):
                self._port = UdpOut(host, port)
                return True
        return None

    def close(self) -> None:
        """Let go of it."""
        self.drop()


class PedalLink:
    """A pedal on a MIDI port: bytes come in from it."""

    def __init__(self, name: str, wants: str, heard: Callable[[bytes, int], None]) -> None:
        self.name = name
        self.wants = wants
        self._heard = heard
        self._port: InPort | None = None

    @property
    def here(self) -> bool:
        """Whether it is heard now."""
        return self._port is not None

    def look(self, system: MidiSystem | None, names: Sequence[str], taken: set[str]) -> bool | None:
        """See `Link.look`."""
        if self._port is not None:
            if self._port.name in names:
                return None
            self.close()
            return False
        full = find(self.wants, [name for name in names if name not in taken])
        if full is None or system is None:
            return None
        with suppress(DeviceError):
            self._port = system.open_in(full, self._heard)
            taken.add(full)
            return True
        return None

    @property
    def port_name(self) -> str | None:
        """The full name of its port, while it is heard."""
        return None if self._port is None else self._port.name

    def close(self) -> None:
        """Let go of it."""
        port, self._port = self._port, None
        if port is not None:
            port.close()
