"""The night as it is played: events into the core, its records into the journal, then its orders onto the wires.

Everything here runs in one loop's thread. The order in `handle` is the promise: a change is in the journal
before its first byte leaves.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

from stagectl.core.effects import (
    Ask,
    Cue,
    Effect,
    Lit,
    Question,
    RecallStored,
    Told,
)
from stagectl.core.events import DeskWent, Event, LampsWent, Wake
from stagectl.core.latest import latest
from stagectl.core.plan import Plan
from stagectl.core.state import State, begin
from stagectl.core.step import next_wake, step
from stagectl.desk.speak import Speaker
from stagectl.desk.talk import DeskTalk
from stagectl.errors import DeviceError
from stagectl.journal.record import Recorder
from stagectl.live.links import OutLink
from stagectl.live.printer import Printer
from stagectl.show.compile import Compiled
from stagectl.show.load import Show
from stagectl.story.heard import heard
from stagectl.story.rows import BY_DESK, Row, Teller

UNSENT_MAX: Final = 16
"""Presses whose first byte is waited for; of older ones it is never known."""

NOT_YET: Final = "  the desk is away: not told yet"


class Night:
    """One night. `zero`: the monotonic time at which it began, ns. `state`: that of a night that is taken up again."""

    def __init__(
        self,
        show: Show,
        compiled: Compiled,
        journal: Recorder,
        printer: Printer,
        outs: Outs,
        talk: DeskTalk,
        zero: int,
        state: State | None = None,
    ) -> None:
        self.plan: Plan = compiled.plan
        self.state = begin(self.plan, zero) if state is None else state
        self._zero = zero
        self._packets = compiled.packets
        self._lamps = compiled.lamps
        self._journal = journal
        self._printer = printer
        self._outs = outs
        self._teller = Teller(self.plan, zero)
        self._speaker = Speaker.of(show)
        self._talk = talk
        self.watchers: list[Callable[[State], None]] = []
        """Each is called with the state after every event, when the bytes have left."""
        self.tellers: list[Callable[[Sequence[Row]], None]] = []
        """Each is called with the rows that people are told, after the bytes have left."""
        self._timer: asyncio.TimerHandle | None = None
        self._untold: list[Row] = []
        self._left_at: int | None = None
        """When the first byte of the present order left, ns."""
        self._unsent: dict[int, tuple[int, int]] = {}
        """Presses for which no byte has left yet: the numbers of their rows, and their times."""
        self._loop = asyncio.get_running_loop()
        self._orders: Mapping[type[Effect], Callable[[Any], None]] = {
            Ask: self._ask,
            RecallStored: self._recall_stored,
            Question: self._question,
            Cue: self._cue,
            Told: self._told,
            Lit: self._lit,
        }

    def handle(self, event: Event, now: int, said: bytes | None = None, *, quietly: bool = False) -> None:
        """One event: step, journal, bytes, then the rest. `said`: the bytes that it came as; `quietly`: that something
        is connected or not, nobody needs to be told."""
        if isinstance(event, DeskWent):
            self._speaker.forget()
        asked = self.state.asked
        try:
            self.state, effects = step(self.plan, self.state, event, now)
            rows = self._teller.rows(effects, time.monotonic_ns()) if effects else []
            # The core was woken since the event was stamped, now and then; then it has happened when it was heard.
            kept = None if isinstance(event, Wake) else heard(event, self.state.now - self._zero, said)
            last = self._journal.write(rows, time.time_ns() // 1000, kept)
            if effects:
                self._await(rows, last)
                for effect in latest(effects, asked):
                    self._left_at = None
                    self._safely(self._orders[type(effect)], effect)
                    if self._left_at is not None and self._unsent:
                        self._took(getattr(effect, "press", 0), self._left_at)
                told = [row for row in rows if row.kind != "link"] if quietly else rows
                if told:
                    self._tell_later(told)
            self._journal.go()
            for watcher in self.watchers:
                self._safely(watcher, self.state)
        finally:
            self._arm()

    def _await(self, rows: Sequence[Row], last: int) -> None:
        """Presses whose first byte is waited for. `last`: the number of the last row."""
        for number, row in enumerate(rows, last + 1 - len(rows)):
            if row.kind == "press" and row.press is not None:
                if len(self._unsent) >= UNSENT_MAX:
                    del self._unsent[next(iter(self._unsent))]
                self._unsent[row.press] = (number, row.at)

    def _took(self, press: int, left_at: int) -> None:
        """Record how long the first byte took from the press that it was for."""
        if press in self._unsent:
            number, at = self._unsent.pop(press)
            self._journal.left(number, left_at - self._zero - at)

    def _stamp(self) -> None:
        """Bytes have left."""
        if self._left_at is None:
            self._left_at = time.monotonic_ns()

    def _safely(self, does: Callable[[Any], None], what: Any) -> None:
        """What one order meets keeps no other from being carried out."""
        try:
            does(what)
        except Exception as error:  # noqa: BLE001 - a fault in one part stops no other
            self._printer.warn(f"{type(what).__name__}: {type(error).__name__}: {error}")

    def _ask(self, effect: Ask) -> None:
        say, send = self._speaker.say, self._outs.desk.send
        try:
            for which, level in effect.levels:
                for packet in say(which, level, effect.at):
                    send(packet)
                self._stamp()
        except DeviceError as error:
            self._desk_failed(error)

    def _question(self, effect: Question) -> None:
        try:
            for packet in self._talk.question(effect.sends):
                self._outs.desk.send(packet)
        except DeviceError as error:
            self._desk_failed(error)

    def _recall_stored(self, effect: RecallStored) -> None:
        try:
            for packet in self._speaker.stored(effect.number):
                self._outs.desk.send(packet)
            self._stamp()
        except DeviceError as error:
            self._desk_failed(error)

    def _desk_failed(self, error: DeviceError) -> None:
        """The desk takes no bytes: it counts as gone until its port is found anew. What else it was to be told is not
        worth a word."""
        if not self._outs.desk.here:
            return
        self._printer.warn(f"the desk: {error}")
        self._outs.lost(self._outs.desk)
        self._loop.call_soon(self.handle, DeskWent(), time.monotonic_ns())

    def _cue(self, effect: Cue) -> None:
        self._outs.cue(effect)
        self._stamp()

    def _told(self, effect: Told) -> None:
        device = self.plan.messages[effect.message].device
        self._speaker.others(self._packets[effect.message])
        self._send(self._outs.devices[device], self._packets[effect.message])
        self._stamp()

    def _lit(self, effect: Lit) -> None:
        """A lamp that takes no bytes is not told any more until its port is found anew; nothing else waits for it."""
        link = self._outs.lamps[effect.pedal]
        if link is None or not link.here:
            return
        try:
            for packet in self._lamps[effect.pedal][effect.lamp][effect.value]:
                link.send(packet)
        except DeviceError as error:
            self._printer.warn(f"{link.name}: {error}")
            self._outs.lost(link)
            self._loop.call_soon(self.handle, LampsWent(pedal=effect.pedal), time.monotonic_ns())

    def _send(self, link: OutLink, packets: Sequence[bytes]) -> None:
        if not link.here:
            self._printer.warn(f"{link.name} is not here: it was not told")
            return
        try:
            for packet in packets:
                link.send(packet)
        except DeviceError as error:
            self._printer.warn(f"{link.name}: {error}")
            self._outs.lost(link)

    def _tell_later(self, rows: Sequence[Row]) -> None:
        """Print after the bytes have left."""
        if not self._untold:
            self._loop.call_soon(self._tell)
        self._untold += rows

    def _tell(self) -> None:
        rows, self._untold = self._untold, []
        moves = any(row.kind == "change" and row.what not in BY_DESK for row in rows)
        self._printer.tell(rows, [NOT_YET] if moves and not self.state.desk_here else [])
        for teller in self.tellers:
            self._safely(teller, rows)

    def _arm(self) -> None:
        """Wake the core when it asks for it."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        due = next_wake(self.state)
        if due is not None:
            # The loop's clock is the monotonic clock, in seconds.
            self._timer = self._loop.call_at(due / 1e9, self._wake)

    def _wake(self) -> None:
        self._timer = None
        self.handle(Wake(), time.monotonic_ns())

    def end(self) -> None:
        """No more wake-ups."""
        if self._timer is not None:
            self._timer.cancel()
        self._tell()


class Outs:
    """Where the orders go: the desk, the devices and the pedals' lamps, by the plan's indices. `lamps`: of each pedal,
    None for one without; they are put here when the pedals' own links are. `cue` takes what track players are told."""

    def __init__(self, desk: OutLink, devices: Sequence[OutLink]) -> None:
        self.desk = desk
        self.devices = tuple(devices)
        self.cue: Callable[[Cue], None] = _nobody
        self.lamps: Sequence[OutLink | None] = ()
        self.lost: Callable[[OutLink], None] = _let_go
        """Lets go of a link that takes no bytes any more; whoever watches the ports puts its own way here."""

    @property
    def all(self) -> tuple[OutLink, ...]:
        """Every link."""
        return (self.desk, *self.devices, *(link for link in self.lamps if link is not None))


def _nobody(_: Cue) -> None:
    """There is no track player."""


def _let_go(link: OutLink) -> None:
    port = link.drop()
    if port is not None:
        port.close()
