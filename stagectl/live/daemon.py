"""`stagectl run`: everything joined, in the foreground, until it is told to stop."""

from __future__ import annotations

import asyncio
import gc
import signal
import tempfile
import time
from collections.abc import Callable, Coroutine, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import stagectl
from stagectl.core.events import DeskCame, DeskWent, Event, PedalCame, PedalWent, Unmapped
from stagectl.errors import JournalError
from stagectl.journal.paths import new_path, nights
from stagectl.journal.schema import Night as NightHead
from stagectl.journal.write import Journal
from stagectl.live.inbox import Inbox
from stagectl.live.links import Link, OutLink, PedalLink
from stagectl.live.night import Night, Outs
from stagectl.live.printer import Printer
from stagectl.live.watch import Found, Watch
from stagectl.pedals.hear import MidiEar, OscEar
from stagectl.ports.udp import listen
from stagectl.show.compile import Compiled
from stagectl.show.load import Show

KEEP_S: Final = 1.0
"""Seconds between two checkpoints of the journal."""


async def run(show: Show, compiled: Compiled, venue: str | None, api: str, journal: Path | None) -> None:
    """Play the night until SIGINT or SIGTERM. Raises DeviceError where it cannot even begin."""
    await _Daemon(show, compiled, venue, api, journal).play()


class _Daemon:
    def __init__(self, show: Show, compiled: Compiled, venue: str | None, api: str, journal: Path | None) -> None:
        self.show = show
        self.venue = venue
        self.printer = Printer()
        self.zero = time.monotonic_ns()
        self.journal = self._open_journal(journal)
        rig = show.rig
        self.desk = OutLink("desk", rig.desk)
        players = [OutLink(model.name, model) for model in rig.players]
        devices = [OutLink(model.name, model) for model in rig.devices]
        outs = Outs(self.desk, players, devices)
        self.night = Night(show, compiled, self.journal, self.printer, outs, self.zero)
        self.ears: list[MidiEar | OscEar] = []
        self.pedals: dict[str, int] = {}
        self.osc_ports: dict[int, list[int]] = {}
        self.inbox = Inbox(asyncio.get_running_loop(), self._heard)
        midi_links: list[Link] = []
        for at, pedal in enumerate(rig.pedals):
            mapping = show.mappings[pedal.mapping]
            self.pedals[pedal.name] = at
            if pedal.osc_port is not None:
                self.ears.append(OscEar(at, mapping))
                self.osc_ports.setdefault(pedal.osc_port, []).append(at)
            else:
                self.ears.append(MidiEar(at, mapping))
                midi_links.append(PedalLink(pedal.name, pedal.port or "", self._put_from(at)))
        self.links: list[Link] = [*midi_links, *outs.all]
        self.watch = Watch(self.links, api, self._changed, self.printer.warn)
        self.quiet = True

    def _put_from(self, pedal: int) -> Any:
        def put(packet: bytes, at: int) -> None:
            self.inbox.put(pedal, packet, at)

        return put

    # -- the journal --------------------------------------------------------------------------------------

    def _open_journal(self, path: Path | None) -> Journal:
        begun = datetime.now().astimezone()
        offset = begun.utcoffset()
        head = NightHead(
            setlist=self.show.setlist.title,
            venue=self.venue,
            begun_us=time.time_ns() // 1000,
            zone=begun.tzname() or "UTC",
            zone_offset=0 if offset is None else int(offset.total_seconds()),
            program=stagectl.__version__,
            zero=self.zero,
        )
        if path is not None:
            return Journal.create(path, head)
        try:
            return Journal.create(new_path(nights(), head.begun_us), head)
        except JournalError as error:
            # The night goes on, in the folder for temporary files.
            elsewhere = Path(tempfile.gettempdir()) / "stagectl-nights"
            self.printer.warn(f"{error} The journal is kept in {elsewhere} instead.")
            return Journal.create(new_path(elsewhere, head.begun_us), head)

    async def _again_and_again(self, name: str, chore: Callable[[], Coroutine[Any, Any, None]]) -> None:
        """Keep a chore going: whatever it stumbles over is said, and never ends the night."""
        while True:
            try:
                await chore()
            except Exception as error:  # noqa: BLE001 - a fault in one part stops no other
                self.printer.warn(f"{name}: {type(error).__name__}: {error}; it is begun again")
                await asyncio.sleep(KEEP_S)

    async def _keep_journal(self) -> None:
        loop, told = asyncio.get_running_loop(), None
        while True:
            await asyncio.sleep(KEEP_S)
            if self.journal.held:
                self.journal.retry()
            await loop.run_in_executor(None, self.journal.checkpoint)
            if self.journal.trouble != told:
                told = self.journal.trouble
                self.printer.warn(told or "the journal is written again")

    # -- what comes in ------------------------------------------------------------------------------------

    def _heard(self, pedal: int, packet: bytes, at: int) -> None:
        for event in self.ears[pedal].hear(packet):
            self.night.handle(event, at)

    def _heard_osc(self, pedals: Sequence[int], packet: bytes, at: int) -> None:
        """Several pedals may share a port: the one that knows the message has it."""
        told = [self.ears[pedal].hear(packet) for pedal in pedals]
        known = [events for events in told if not any(isinstance(event, Unmapped) for event in events)]
        for event in (known or told)[0]:
            self.night.handle(event, at)

    def _changed(self, found: Found) -> None:
        event: Event
        if isinstance(found.link, PedalLink):
            pedal = self.pedals[found.link.name]
            event = PedalCame(pedal=pedal) if found.here else PedalWent(pedal=pedal)
        elif found.link is self.desk:
            event = DeskCame() if found.here else DeskWent()
        else:
            if not self.quiet or found.here:
                self.printer.say([f"{found.link.name} is {'here' if found.here else 'gone'}"])
            return
        self.night.handle(event, time.monotonic_ns())

    # -- the night ----------------------------------------------------------------------------------------

    async def play(self) -> None:
        loop, stop = asyncio.get_running_loop(), asyncio.Event()
        for number in (signal.SIGINT, signal.SIGTERM):
            try:
                loop.add_signal_handler(number, stop.set)
            except NotImplementedError:
                # Windows has no such handlers in its loop.
                signal.signal(number, lambda *_: loop.call_soon_threadsafe(stop.set))
        transports = []
        tasks: list[asyncio.Future[None]] = []
        try:
            for port, pedals in self.osc_ports.items():
                transports.append(await listen("0.0.0.0", port, self._osc_into(pedals)))
                for pedal in pedals:
                    self.night.handle(PedalCame(pedal=pedal), time.monotonic_ns())
            await self.watch.look()
            gc.collect()
            gc.freeze()
            self.printer.say([self._ready()])
            self.quiet = False
            chores = (("watching the ports", self.watch.forever), ("keeping the journal", self._keep_journal))
            tasks = [asyncio.ensure_future(self._again_and_again(name, chore)) for name, chore in chores]
            await stop.wait()
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)
            for transport in transports:
                transport.close()
            self.watch.close()
            self.night.end()
            self.journal.close()
            self.printer.close()

    def _osc_into(self, pedals: Sequence[int]) -> Any:
        return lambda packet, at, _sender: self._heard_osc(pedals, packet, at)

    def _ready(self) -> str:
        where = f", {self.venue}" if self.venue else ""
        missing = [f"{link.name} (`{link.wants}`)" for link in self.links if not link.here]
        waits = f"; waiting for {', '.join(missing)}" if missing else "; everything is here"
        return f"ready: {self.show.setlist.title}{where}{waits}"
