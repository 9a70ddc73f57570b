"""Hearing the pedals: from what the drivers hand over to events, whatever else is on the wire.

A flood of messages that mean nothing is counted, and only the first few of each second are recorded one by one; a
pedal that promises to be heard all the time (active sensing) and falls silent counts as gone.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Iterator
from typing import Any, Final, TypeAlias

from stagectl.core.events import Event, PedalCame, PedalWent, Unmapped
from stagectl.errors import DeviceError
from stagectl.live.inbox import FULL, Inbox
from stagectl.live.sensing import Sensing
from stagectl.pedals.fine import PAIR_WAIT_NS
from stagectl.pedals.hear import KeyEar, MidiEar, OscEar, hear_by
from stagectl.pedals.keyboard import KeyboardPort
from stagectl.ports.osc_senders import Senders
from stagectl.show.load import Show
from stagectl.story.rows import Row

UNKNOWN_PER_S: Final = 20
"""Messages of one pedal that no control stands for and that are recorded one by one, each second; more are counted."""

PER_PACKET: Final = 64
"""Events of one OSC packet that are taken; a bundle with more is not from a foot, and the rest are counted."""

OSC_MAX: Final = 4_096
"""Bytes of one OSC packet of a pedal; a longer one is from no foot, and would hold up the loop while it is read."""

SAID_MAX: Final = 64
"""Bytes of a message that are kept with what it meant."""

Handle: TypeAlias = Callable[[Event, int, bytes | None], None]
"""Takes an event, its monotonic time, ns, and the bytes that it came as, where it came as bytes."""

TOO_LONG: Final = "OSC packets that are longer than any foot's"
FLOOD: Final = "messages beyond those that are recorded one by one"
STRANGERS: Final = "messages from hosts that no pedal is heard from"


class Hearing:
    """The ears of all pedals. `handle` takes each event with its monotonic time, ns, and the bytes that it came as, in
    the loop's thread."""

    def __init__(self, show: Show, handle: Handle, trouble: Callable[[str], None]) -> None:
        self._handle = handle
        self._loop = asyncio.get_running_loop()
        self._names = [pedal.name for pedal in show.rig.pedals]
        self._hosts = [pedal.from_ for pedal in show.rig.pedals]
        self.ears: list[MidiEar | OscEar | KeyEar] = []
        self.osc_ports: dict[int, list[int]] = {}
        self._senders: list[Senders] = []
        for at, pedal in enumerate(show.rig.pedals):
            mapping = show.mappings[pedal.mapping]
            if pedal.osc_port is not None:
                self.ears.append(OscEar(at, mapping))
                self.osc_ports.setdefault(pedal.osc_port, []).append(at)
            elif pedal.keyboard is not None:
                self.ears.append(KeyEar(at, mapping))
            else:
                self.ears.append(MidiEar(at, mapping))
        self._inbox = Inbox(self._loop, self._heard, trouble)
        self._sensing = [Sensing() for _ in self.ears]
        self._timers: dict[int, asyncio.TimerHandle] = {}
        self._halves: dict[int, asyncio.TimerHandle] = {}
        self._unknown = [(0, 0)] * len(self.ears)
        self._told: dict[tuple[int, str], int] = {}
        self._strangers: dict[int, int] = {}

    def put_from(self, pedal: int) -> Callable[[bytes, int], None]:
        """What the driver of a pedal's port calls, on its own thread."""

        def put(packet: bytes, at: int) -> None:
            self._inbox.put(pedal, packet, at)

        return put

    def _heard(self, pedal: int, packet: bytes, at: int) -> None:
        if self._sensing[pedal].heard(packet, at):
            self._handle(PedalCame(pedal=pedal), at, None)
        self._expect(pedal)
        ear = self.ears[pedal]
        assert isinstance(ear, MidiEar)
        for event in ear.hear(packet):
            self._event(pedal, event, at, packet)
        self._settle_later(pedal, ear)

    def _settle_later(self, pedal: int, ear: MidiEar) -> None:
        """A coarse value whose fine part does not come counts when the wire has been quiet."""
        timer = self._halves.pop(pedal, None)
        if timer is not None:
            timer.cancel()
        if ear.waiting:
            self._halves[pedal] = self._loop.call_later(PAIR_WAIT_NS / 1e9, self._settle, pedal, ear)

    def _settle(self, pedal: int, ear: MidiEar) -> None:
        self._halves.pop(pedal, None)
        for event in ear.settle():
            self._event(pedal, event, time.monotonic_ns())

    def heard_keys(self, pedal: int, gone: Callable[[int], None]) -> Callable[[KeyboardPort], None]:
        """What the loop calls when a keyboard-type pedal has something to say. `gone`: its device is no more."""

        def heard(port: KeyboardPort) -> None:
            ear = self.ears[pedal]
            assert isinstance(ear, KeyEar)
            try:
                moves = port.read()
            except DeviceError:
                gone(pedal)
                return
            for event in ear.hear(moves):
                self._event(pedal, event, time.monotonic_ns())

        return heard

    def heard_osc(self, port: int) -> Callable[[bytes, int, Any], None]:
        """What the socket at a UDP port calls: of several pedals, the one that is heard from that host has it; of
        several of one host, the one that knows the message, each message of a bundle by itself."""
        senders = Senders(port, {at: self._hosts[at] for at in self.osc_ports[port]})
        senders.look(time.monotonic_ns())
        self._senders.append(senders)

        def heard(packet: bytes, at: int, sender: Any) -> None:
            pedals = senders.of(sender[0], at)
            if not pedals:
                return
            if len(packet) > OSC_MAX:
                self.ears[pedals[0]].counted[TOO_LONG] += 1
                return
            told = hear_by([ear for pedal in pedals if isinstance(ear := self.ears[pedal], OscEar)], packet)
            for event in told[:PER_PACKET]:
                self._event(event.pedal, event, at, packet)
            for event in told[PER_PACKET:]:
                self.ears[event.pedal].counted[FLOOD] += 1

        return heard

    def _event(self, pedal: int, event: Event, at: int, said: bytes | None = None) -> None:
        if isinstance(event, Unmapped) and not self._may_record(pedal, at):
            self.ears[pedal].counted[FLOOD] += 1
            return
        self._handle(event, at, None if said is None else said[:SAID_MAX])

    def _may_record(self, pedal: int, at: int) -> bool:
        second, count = self._unknown[pedal]
        if at // 1_000_000_000 != second:
            second, count = at // 1_000_000_000, 0
        self._unknown[pedal] = (second, count + 1)
        return count < UNKNOWN_PER_S

    # -- active sensing -----------------------------------------------------------------------------------

    def _expect(self, pedal: int) -> None:
        """Look again when the silence would have been too long."""
        due = self._sensing[pedal].due
        if due is not None and pedal not in self._timers:
            self._timers[pedal] = self._loop.call_at(due / 1e9, self._look, pedal)

    def _look(self, pedal: int) -> None:
        del self._timers[pedal]
        if self._sensing[pedal].silent(time.monotonic_ns()):
            self.forget_half(pedal)
            self._handle(PedalWent(pedal=pedal), time.monotonic_ns(), None)
        self._expect(pedal)

    def port_changed(self, pedal: int, here: bool) -> None:
        """The pedal's port came or went."""
        self.forget_half(pedal)
        was_lost = self._sensing[pedal].lost
        self._sensing[pedal].forget()
        if here or not was_lost:
            event: Event = PedalCame(pedal=pedal) if here else PedalWent(pedal=pedal)
            self._handle(event, time.monotonic_ns(), None)

    def forget_half(self, pedal: int) -> None:
        """What was half said is forgotten."""
        self.ears[pedal].reset()

    # -- what was counted ---------------------------------------------------------------------------------

    def counts(self, at: int) -> list[Row]:
        """Rows for everything that was counted since the last time. `at`: ns since the night began."""
        return list(self._counts(at))

    def _counts(self, at: int) -> Iterator[Row]:
        for pedal, ear in enumerate(self.ears):
            for what, number in sorted(ear.counted.items()):
                if self._told.get((pedal, what), 0) != number:
                    self._told[pedal, what] = number
                    yield Row(at, "count", who=self._names[pedal], what=what, number=number)
        if self._inbox.lost and self._told.get((-1, FULL)) != self._inbox.lost:
            self._told[-1, FULL] = self._inbox.lost
            yield Row(at, "count", who="pedals", what=FULL, number=self._inbox.lost)
        for senders in self._senders:
            told = self._strangers.get(senders.port, 0)
            if senders.strangers != told:
                self._strangers[senders.port] = senders.strangers
                yield Row(at, "count", who=f"UDP port {senders.port}", what=STRANGERS, number=senders.strangers)

    def troubles(self, now: int) -> list[str]:
        """What is wrong with the hosts of OSC pedals and has not been said yet; names without an address are looked up
        again. `now`: monotonic, ns."""
        for senders in self._senders:
            senders.look(now, missing=True)
        return [sentence for senders in self._senders for sentence in senders.troubles()]

    def close(self) -> None:
        """Hear no more."""
        self._inbox.close()
        for timer in (*self._timers.values(), *self._halves.values()):
            timer.cancel()
