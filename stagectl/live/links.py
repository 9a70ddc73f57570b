"""What is on the end of each wire: links that look for their port, find it, and notice when it is gone.

Looking and opening happen on the watching thread (`seek`), because drivers can take their time. What a link holds is
only ever changed in the loop's thread (`take`, `drop`), so that no port is closed under a message that is leaving.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import Any, Final, Generic, Protocol, TypeAlias, TypeVar

from stagectl.errors import DeviceError
from stagectl.pedals.keyboard import KeyboardPort, find_keyboard, keyboards, open_keyboard
from stagectl.ports.look_up import Lookup
from stagectl.ports.midi import InPort, MidiSystem, OutPort, find_all
from stagectl.ports.udp import UdpOut
from stagectl.show.load import Show
from stagectl.show.rig import LinkedModel

LOOK_UP_S: Final = 0.02
"""How long one look waits for a host's address, s. A numeric address is there at once."""

TRY_AGAIN_S: Final = 2.0
"""Seconds after which a host that could not be sent to is tried again: its name is known all the same."""

Port: TypeAlias = InPort | OutPort | KeyboardPort

PortT = TypeVar("PortT", InPort, OutPort, KeyboardPort)


class Gone:
    """What `seek` finds when the port that a link holds is no longer there."""


GONE = Gone()


class Link(Protocol):
    """Something that may be here or not. `wants`: what it looks for, as the rig says it."""

    name: str
    wants: str
    hears: bool
    is_midi: bool

    @property
    def port_name(self) -> str | None:
        """The full name of the port that it holds."""
        ...

    def seek(self, system: MidiSystem | None, names: Sequence[str]) -> Port | Gone | None:
        """Look for the port among the `names` that are free, on the watching thread: the port, opened; GONE if the
        one that is held has gone; None if nothing is new. Raises DeviceError where a port that is there cannot be
        opened."""
        ...

    def take(self, port: Port) -> None:
        """Hold a port."""
        ...

    def drop(self) -> Port | None:
        """Let go of the port; the caller closes it."""
        ...


class Holds(Generic[PortT]):
    """Holds a port, or none."""

    _port: PortT | None = None

    @property
    def here(self) -> bool:
        """Whether it can be used now."""
        return self._port is not None

    @property
    def port_name(self) -> str | None:
        """See `Link`."""
        # Read once: the watching thread asks while the loop may let go.
        port = self._port
        return None if port is None else port.name

    def drop(self) -> Port | None:
        """See `Link`."""
        port, self._port = self._port, None
        return port


class OutLink(Holds[OutPort]):
    """The desk, a player or a device: bytes go out to it."""

    hears = False

    def __init__(self, name: str, model: LinkedModel) -> None:
        self.name = name
        self.claim: Callable[[str], None] | None = None
        """Is given the full name of a MIDI port before it is opened; raises DeviceError where it must not be."""
        self._host = model.host
        self._lookup: Lookup | None = None
        self.doubted = False
        """Whether a host may have another address by now: it has fallen silent."""
        self._not_before = 0.0
        self.is_midi = model.port is not None
        self.wants = model.port or "{}:{}".format(*(model.host or ("", 0)))

    def send(self, packet: bytes) -> None:
        """Send one message. Raises DeviceError where it is not here or takes no bytes."""
        if self._port is None:
            raise DeviceError(f"`{self.wants}` is not here")
        try:
            self._port.send(packet)
        except DeviceError:
            self._not_before = time.monotonic() + TRY_AGAIN_S
            raise

    def seek(self, system: MidiSystem | None, names: Sequence[str]) -> Port | Gone | None:
        """See `Link`."""
        port = self._port
        if self._host is not None:
            if time.monotonic() < self._not_before or (port is not None and not self.doubted):
                return None
            return self._look_up(*self._host) if port is None else self._look_again(*self._host, port)
        if port is not None:
            port.relax()
            return None if port.name in names else GONE
        found = find_all(self.wants, names)
        if not found or system is None:
            return None
        if self.claim is not None:
            self.claim(found[0])
        return system.open_out(found[0])

    def _look_up(self, host: str, port: int) -> Port | None:
        """Over OSC, a host that has an address is here. One that is not known is looked up again and again."""
        found = self._address(host, port)
        return None if found is None else UdpOut(f"{host}:{port}", *found)

    def _look_again(self, host: str, port: int, held: OutPort) -> Gone | None:
        """Whether a host has another address than before. Where it is not known any more, the old one may be right."""
        found = None
        with suppress(DeviceError):
            found = self._address(host, port)
        if self._lookup is None:
            self._not_before = time.monotonic() + TRY_AGAIN_S
        return GONE if isinstance(held, UdpOut) and found is not None and found[1] != held.to else None

    def _address(self, host: str, port: int) -> tuple[Any, Any] | None:
        lookup = self._lookup = self._lookup or Lookup(host, port)
        try:
            found = lookup.result(LOOK_UP_S)
        except DeviceError:
            self._lookup = None
            raise
        if found is not None:
            # It may move on, and is looked up anew.
            self._lookup = None
        return found

    def take(self, port: Port) -> None:
        """See `Link`."""
        assert not isinstance(port, InPort | KeyboardPort)
        self._port = port


PACKETS_AT_ONCE: Final = 16
"""Packets of the desk that are taken before anything else has its turn."""


class DeskLink(OutLink):
    """The desk. Over OSC its answers come back to the socket that asks: `heard` gets them in the loop's thread."""

    def __init__(self, name: str, model: LinkedModel, heard: Callable[[bytes, int], None]) -> None:
        super().__init__(name, model)
        self._heard = heard
        self._strangers = 0

    def take(self, port: Port) -> None:
        """See `Link`."""
        super().take(port)
        if isinstance(port, UdpOut):
            asyncio.get_running_loop().add_reader(port.fileno(), self._readable, port)

    def drop(self) -> Port | None:
        """See `Link`."""
        if isinstance(self._port, UdpOut):
            asyncio.get_running_loop().remove_reader(self._port.fileno())
            self._strangers += self._port.strangers
        return super().drop()

    @property
    def strangers(self) -> int:
        """Packets of other hosts that came in instead of the desk's."""
        return self._strangers + (self._port.strangers if isinstance(self._port, UdpOut) else 0)

    def _readable(self, port: UdpOut) -> None:
        for _ in range(PACKETS_AT_ONCE):
            packet = port.receive()
            if packet is None:
                return
            self._heard(packet, time.monotonic_ns())


class LampLink(OutLink):
    """The way back to a pedal, for its lamps. `beside`: the pedal's own link, where the lamps are at its port: they
    come and go with it. Of several outputs that fit, the one with the very name of the pedal's input is its own; where
    none has it, `which` counts: how many pedals before this one look for the same name."""

    def __init__(self, name: str, model: LinkedModel, beside: PedalLink | None = None, which: int = 0) -> None:
        super().__init__(name, model)
        self._beside = beside
        self._which = which
        self._found_beside: str | None = None

    def seek(self, system: MidiSystem | None, names: Sequence[str]) -> Port | Gone | None:
        """See `Link`."""
        if self._beside is None:
            return super().seek(system, names)
        pedal = self._beside.found
        if self._port is not None:
            return super().seek(system, names) if pedal == self._found_beside else GONE
        if pedal is None or system is None:
            return None
        fit = find_all(self.wants, names)
        mine = pedal if pedal in fit else next(iter(fit[self._which :]), None)
        if mine is None:
            return None
        opened = system.open_out(mine)
        self._found_beside = pedal
        return opened


class PedalLink(Holds[InPort]):
    """A pedal on a MIDI port: bytes come in from it. `found`: the port's name as the last look had it, for the
    watching thread alone."""

    found: str | None = None

    hears = True
    is_midi = True

    def __init__(self, name: str, wants: str, heard: Callable[[bytes, int], None]) -> None:
        self.name = name
        self.wants = wants
        self._heard = heard

    def seek(self, system: MidiSystem | None, names: Sequence[str]) -> Port | Gone | None:
        """See `Link`."""
        port, self.found = self._port, None
        if port is not None:
            if port.name not in names:
                return GONE
            self.found = port.name
            return None
        found = find_all(self.wants, names)
        if not found or system is None:
            return None
        opened = system.open_in(found[0], self._heard)
        self.found = opened.name
        return opened

    def take(self, port: Port) -> None:
        """See `Link`."""
        assert isinstance(port, InPort)
        self._port = port


class VoiceLink(PedalLink):
    """The desk's own MIDI output, on which it says what it has."""


KEYBOARD_LOOKS: Final = 10
"""Looks between two searches for a keyboard: each asks every input device for its name."""


class KeyboardLink(Holds[KeyboardPort]):
    """A pedal of keyboard type: `heard` is called in the loop when its device has something to say."""

    hears = True
    is_midi = False

    def __init__(self, name: str, wants: str, heard: Callable[[KeyboardPort], None]) -> None:
        self.name = name
        self.wants = wants
        self._heard = heard
        self._looks = 0

    def seek(self, system: MidiSystem | None, names: Sequence[str]) -> Port | Gone | None:
        """See `Link`."""
        port = self._port
        if port is not None:
            return None if port.path is None or port.path.exists() else GONE
        self._looks += 1
        if self._looks % KEYBOARD_LOOKS != 1 or find_keyboard(self.wants, keyboards()) is None:
            return None
        return open_keyboard(self.wants)

    def take(self, port: Port) -> None:
        """See `Link`."""
        assert isinstance(port, KeyboardPort)
        self._port = port
        asyncio.get_running_loop().add_reader(port.fileno(), self._heard, port)

    def drop(self) -> Port | None:
        """See `Link`."""
        if self._port is not None:
            asyncio.get_running_loop().remove_reader(self._port.fileno())
        return super().drop()


def lamp_links(show: Show, links: Sequence[Link]) -> list[LampLink | None]:
    """The way back to each pedal that has lamps; None for one without. `links`: the pedals' own are among them."""
    feet = {link.name: link for link in links if isinstance(link, PedalLink)}
    out: list[LampLink | None] = []
    for at, pedal in enumerate(show.rig.pedals):
        if not show.mappings[pedal.mapping].lamps or pedal.lamps_end is None:
            out.append(None)
            continue
        own_port = pedal.lamps_port is None and pedal.lamps_host is None
        which = sum(other.port == pedal.port for other in show.rig.pedals[:at])
        beside = feet[pedal.name] if own_port else None
        out.append(LampLink(f"lamps of {pedal.name}", pedal.lamps_end, beside, which))
    return out
