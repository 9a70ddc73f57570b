"""Watching the ports: ten times a second the list of ports is looked through, in a thread of its own.

A look takes a tenth of a millisecond. Opening or closing a port takes the driver some 20 ms, in which no press is
heard: that is the price of a cable that comes back. One that is out for less than a look may go unnoticed.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Final, NamedTuple

from stagectl.errors import DeviceError, closest
from stagectl.live.links import GONE, Gone, Link, Port
from stagectl.ports.midi import InPort, MidiOut, MidiSystem, find_all, open_system

LOOK_S: Final = 0.1
"""Seconds between two looks."""

SETTLE_S: Final = 0.2
"""Seconds before the first bytes go to a port that was just opened: JACK loses what is sent before the graph of its
clients has been sorted anew (measured: some 50 ms)."""

REFUSED_S: Final = 2.0
"""Seconds between two tries to open a port that is there and cannot be opened."""

SYSTEM_S: Final = 2.0
"""Seconds between two tries to reach a MIDI system that does not answer."""


_GRAVEYARD: Final[list[object]] = []
"""Ports and systems whose server has died."""


class Found(NamedTuple):
    """What a look found of a link: its port, opened, or that it has gone."""

    link: Link
    port: Port | Gone


class Look(NamedTuple):
    """What one look found, and what is wrong or ambiguous, as sentences."""

    found: list[Found]
    troubles: list[str]


class Watch:
    """Looks for the ports of links. `changed` is called in the loop with each link that came (True) or went (False);
    `trouble` with each sentence, once for as long as it holds. `early`: the MIDI system, where it was reached before;
    from now on it is the watch's own."""

    def __init__(
        self,
        links: Sequence[Link],
        api: str,
        changed: Callable[[Link, bool], None],
        trouble: Callable[[str], None],
        early: MidiSystem | None = None,
    ) -> None:
        self._links = links
        self._api = api
        self._changed = changed
        self._trouble = trouble
        self._system = self._early = early
        self._told: set[str] = set()
        self._refused: dict[Link, tuple[float, str]] = {}
        """Links that could not be opened: until when they are left alone, and why."""
        self._free: dict[Link, list[str]] = {}
        """The ports that each link could have had in the last look."""
        self._needs_midi = any(link.is_midi for link in links)
        self._wait = 0
        self._dead = False
        self._midi_trouble: str | None = None
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="watch")
        self._looking: Future[Look] | None = None
        """A look whose ports nobody has taken yet."""
        self._dropped: list[Port] = []

    async def look(self) -> None:
        """One look through the ports."""
        self._looking = self._thread.submit(self._look)
        look = await asyncio.wrap_future(self._looking)
        self._looking = None
        for trouble in look.troubles:
            if trouble not in self._told:
                self._trouble(trouble)
        self._told = set(look.troubles)
        fresh, ages = [], []
        for link, port in look.found:
            if isinstance(port, Gone):
                self.lost(link)
                self._changed(link, False)
                continue
            link.take(port)
            if link.is_midi and not link.hears:
                fresh.append(link)
                ages.append(time.monotonic() - port.since if isinstance(port, MidiOut) else 0.0)
            else:
                self._changed(link, True)
        if fresh:
            await asyncio.sleep(SETTLE_S - min(ages))
            for link in fresh:
                if link.port_name is not None:
                    self._changed(link, True)

    def near(self, link: Link) -> str | None:
        """The port whose name is close to what a link looks for and does not find, if there is one: it may be meant."""
        return closest(link.wants, self._free.get(link, ())) if link.is_midi and not link.port_name else None

    def waited_for(self, link: Link) -> str:
        """A link that is not here, in words, with the port that may be meant."""
        near = self.near(link)
        return f"{link.name} (`{link.wants}`{'' if near is None else f'; did you mean `{near}`?'})"

    def lost(self, link: Link) -> None:
        """Let go of a link's port; closing it is left to the watching thread."""
        port = link.drop()
        if port is not None:
            self._thread.submit(self._let_go, port)

    def _let_go(self, port: Port) -> None:
        """Close a port, on the watching thread; one of a system that has died is left as it is."""
        if self._system is None and isinstance(port, InPort | MidiOut):
            _GRAVEYARD.append(port)
        else:
            port.close()

    async def forever(self) -> None:
        """Look on and on, until cancelled."""
        while True:
            await asyncio.sleep(LOOK_S)
            await self.look()

    def _look(self) -> Look:
        troubles: list[str] = []
        inputs: list[str] | None = None
        outputs: list[str] | None = None
        try:
            if self._needs_midi:
                inputs, outputs = self._names()
                self._midi_trouble = None
        except DeviceError as error:
            # What is not known is left as it was, unless the system itself has died.
            self._midi_trouble = str(error)
        if self._midi_trouble is not None:
            troubles.append(self._midi_trouble)
        if self._dead:
            self._dead = False
            return Look([Found(link, GONE) for link in self._links if link.is_midi and link.port_name], troubles)
        taken = {link.port_name for link in self._links if link.hears}
        found = []
        for link in self._links:
            names = inputs if link.hears else outputs
            if names is None and link.is_midi:
                continue
            free = [name for name in names or [] if not link.hears or name == link.port_name or name not in taken]
            self._free[link] = free
            until, why = self._refused.get(link, (0.0, ""))
            if time.monotonic() < until:
                troubles.append(why)
                continue
            try:
                port = link.seek(self._system, free)
            except Exception as error:  # noqa: BLE001 - what one link stumbles over keeps no other from being found
                self._refused[link] = (time.monotonic() + REFUSED_S, f"{link.name}: {error}")
                troubles.append(f"{link.name}: {error}")
                continue
            if port is not None:
                found.append(Found(link, port))
                taken.add(None if isinstance(port, Gone) else port.name)
        # A system that has died meanwhile lies in the graveyard, with what was opened early.
        if self._early is not None and self._early is self._system:
            self._early.close_early()
        self._early = None
        return Look(found, troubles + self._ambiguous(inputs or [], outputs or []))

    def _names(self) -> tuple[list[str], list[str]]:
        """The ports that can be heard, and those that can be sent to. Raises DeviceError."""
        if self._system is not None and not self._system.answers:
            # Clients of a dead server are let go of with the process: closing them now would hold everything up.
            _GRAVEYARD.append(self._system)
            self._system, self._dead = None, True
            raise DeviceError("the JACK server is gone; it is waited for")
        if self._system is None:
            self._wait -= 1
            if self._wait > 0:
                raise DeviceError(self._midi_trouble or "no MIDI system answers")
            self._wait = round(SYSTEM_S / LOOK_S)
            self._system = open_system(self._api)
        return self._system.inputs(), self._system.outputs()

    def _ambiguous(self, inputs: list[str], outputs: list[str]) -> list[str]:
        """Names that several ports share: they are told apart by the order of the rig."""
        out = []
        for hears, wants in dict.fromkeys((link.hears, link.wants) for link in self._links if link.is_midi):
            ports = find_all(wants, inputs if hears else outputs)
            if len(ports) > 1:
                said = ", ".join(f"`{port}`" for port in ports)
                out.append(f"`{wants}` fits {len(ports)} ports: {said}; they are taken in this order")
        return out

    def drop(self) -> None:
        """Nothing is sent any more. The ports are closed by `close`: drivers take their time, and may stumble."""
        self._dropped += [port for port in (link.drop() for link in self._links) if port is not None]

    def close(self) -> None:
        """Let go of every port and of the system."""
        self.drop()
        closed = self._thread.submit(self._close)
        self._thread.shutdown(wait=True)
        closed.result()

    def _close(self) -> None:
        # The last look may have been given up before anybody took what it had opened.
        if self._looking is not None and not self._looking.cancelled() and self._looking.exception() is None:
            self._dropped += [port for _, port in self._looking.result().found if not isinstance(port, Gone)]
        for port in self._dropped:
            self._let_go(port)
        if self._system is not None:
            self._system.close()
