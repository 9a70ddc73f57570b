"""Listening to every MIDI port at once, as they come and go. The driver's thread only puts messages into a queue."""

from __future__ import annotations

import queue
import time
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from typing import Final, Protocol

from stagectl.errors import DeviceError
from stagectl.learn.analyse import analyse
from stagectl.learn.series import BACKGROUND, MESSAGES_MAX, Packet, is_background
from stagectl.learn.verdict import Learned
from stagectl.ports.midi import Heard, InPort, MidiSystem

QUEUE_MAX: Final = 100_000
"""Messages that wait to be looked at; a DIN link needs a minute and a half to bring as many."""

LOOK_S: Final = 0.1
"""Seconds between two looks at what came."""

PORTS_S: Final = 0.5
"""Seconds between two looks for ports that came or went."""

BUSY_SHARE: Final = 5
"""Working out the verdicts takes at most one part in so many of the time."""


@dataclass
class Port:
    """A port, and what it has said so far. `packets`: what a foot may have sent; the rest is counted."""

    name: str
    packets: list[Packet] = field(default_factory=list)
    background: Counter[str] = field(default_factory=Counter)
    lost: int = 0
    changed: bool = False

    def take(self, at: int, packet: bytes) -> None:
        """Keep one message; beyond `MESSAGES_MAX` it is only counted."""
        if is_background(packet):
            self.background[BACKGROUND[packet[0]]] += 1
            return
        self.changed = True
        if len(self.packets) < MESSAGES_MAX:
            self.packets.append((at, packet))
        else:
            self.lost += 1

    def learned(self) -> Learned:
        """The verdicts on everything that it said."""
        found = analyse(self.packets)
        odd = found.odd + Counter({"beyond the first messages": self.lost})
        heard = found.heard + self.lost + self.background.total()
        return replace(found, background=self.background.copy(), odd=odd, heard=heard)


class Shows(Protocol):
    """Somewhere that listening can be watched."""

    def say(self, line: str) -> None:
        """A line about the ports."""
        ...

    def show(self, port: str, learned: Learned) -> None:
        """What a port has said so far; called when it has said more."""
        ...


class OpenPorts:
    """The ports of a MIDI system whose name holds `part`, opened as they come and let go as they leave. `hear`: gives
    what takes a port's messages; `opened`: told of each port that could be opened; `say`: lines for people."""

    def __init__(
        self,
        system: MidiSystem,
        part: str,
        *,
        hear: Callable[[str], Heard],
        opened: Callable[[str], None],
        say: Callable[[str], None],
    ) -> None:
        self._system, self._part = system, part.lower()
        self._hear, self._opened, self._say = hear, opened, say
        self._open: dict[str, InPort] = {}
        self._refused: set[str] = set()
        self._next_look = 0.0

    def look(self, now: float) -> None:
        """Look at most every `PORTS_S` for ports that came or went. `now`: monotonic, s. Raises DeviceError where the
        system fails."""
        if now < self._next_look:
            return
        self._next_look = now + PORTS_S
        names = [name for name in self._system.inputs() if self._part in name.lower()]
        for name in [name for name in self._open if name not in names]:
            self._open.pop(name).close()
            self._say(f"gone: {name}")
        self._refused &= set(names)
        self._open_all(name for name in dict.fromkeys(names) if name not in self._open)

    def _open_all(self, names: Iterable[str]) -> None:
        for name in names:
            try:
                self._open[name] = self._system.open_in(name, self._hear(name))
            except DeviceError as error:
                if name not in self._refused:
                    self._say(f"not heard: {error}")
                self._refused.add(name)
                continue
            self._opened(name)
            self._say(f"listening: {name}")

    def close(self) -> None:
        """Let go of all ports."""
        for port in self._open.values():
            port.close()


class Listener:
    """Listens to all ports of a MIDI system, or to those whose name holds `part`."""

    def __init__(self, system: MidiSystem, shows: Shows, part: str = "") -> None:
        self.ports: dict[str, Port] = {}
        self._shows = shows
        self._open = OpenPorts(system, part, hear=self._heard, opened=self._opened, say=shows.say)
        self._queue: queue.Queue[tuple[str, int, bytes]] = queue.Queue(QUEUE_MAX)
        self._overrun = 0
        self._next_show = 0.0

    def until(self, ended: Callable[[float], bool]) -> list[Port]:
        """Listen until `ended` says so; it waits for so many seconds at most. Gives every port that there was. Raises
        DeviceError where the system fails."""
        try:
            while True:
                self._open.look(time.monotonic())
                over = ended(LOOK_S)
                self._drain()
                self._show(time.monotonic(), at_once=over)
                if over:
                    return list(self.ports.values())
        finally:
            self._open.close()

    def _opened(self, name: str) -> None:
        self.ports.setdefault(name, Port(name))

    def _heard(self, name: str) -> Heard:
        def heard(packet: bytes, at: int) -> None:
            try:
                self._queue.put_nowait((name, at, packet))
            except queue.Full:
                self._overrun += 1

        return heard

    def _drain(self) -> None:
        for _ in range(self._queue.qsize()):
            name, at, packet = self._queue.get_nowait()
            self.ports[name].take(at, packet)
        if self._overrun:
            self._shows.say(f"{self._overrun} messages came too fast and were lost")
            self._overrun = 0

    def _show(self, now: float, *, at_once: bool) -> None:
        if now < self._next_show and not at_once:
            return
        for port in self.ports.values():
            if port.changed:
                port.changed = False
                self._shows.show(port.name, port.learned())
        self._next_show = now + BUSY_SHARE * (time.monotonic() - now)
