"""A desk among people and wires: it answers, reports hands, echoes, is switched off and on, and its wires have faults.

All by its profile's `answers`, under whatever clock it is given. A client is whoever speaks to it: a sender over OSC,
the one MIDI link (None). What one client tells the desk is a hand for every other.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator
from typing import Final, NamedTuple, TypeAlias

from stagectl.core.levels import Level
from stagectl.desk.faults import Faults, Wire
from stagectl.desk.meaning import Asked, AskedAll, Part, Spot, Subscribed
from stagectl.desk.virtual import Brought, Happening, Heard, VirtualDesk
from stagectl.show.answers import NO_ANSWERS

CLIENTS_MAX: Final = 64
"""Clients that it knows at once; the one that was heard longest ago is forgotten."""

FINE_NS: Final = 50_000_000
"""How long it waits, after the coarse part of a value, for the fine part before it says the level, ns."""

WHILE_OFF: Final = "came while it was switched off"

Client: TypeAlias = Hashable


class Out(NamedTuple):
    """A packet for a client."""

    packet: bytes
    to: Client


class In(NamedTuple):
    """A packet of a client."""

    packet: bytes
    sender: Client


class Taken(NamedTuple):
    """A packet that has arrived, and what it did."""

    packet: bytes
    happenings: tuple[Happening, ...]


class Advanced(NamedTuple):
    """What happened up to a time: packets that arrived at the desk, and those that arrive at its clients."""

    heard: tuple[Taken, ...]
    out: tuple[Out, ...]


class StandIn:
    """A virtual desk with its clients. `faults`: of the wires, both ways; the same `seed` gives the same night."""

    def __init__(self, desk: VirtualDesk, faults: Faults | None = None, seed: int = 0) -> None:
        faults = faults or Faults()
        self.desk = desk
        self.on = True
        self.answers = desk.profile.answers or NO_ANSWERS
        self.inward: Wire[In] = Wire(faults, f"{seed}, inward")
        self.outward: Wire[Out] = Wire(faults, f"{seed}, outward")
        self._slow_ns = faults.slow_ns
        self._answers_at: list[tuple[int, Out]] = []
        self._clients: dict[Client, int | None] = {}
        """Who is told of changes, and until when; None for ever."""
        self._coarse: dict[Spot, tuple[int, Client]] = {}
        """Levels of which only the coarse part came: when they are said all the same, and who told them."""
        self._forget_clients()

    def hear(self, packet: bytes, sender: Client, now: int) -> None:
        """A client sends a packet at a time, ns."""
        if self.on:
            self.inward.put(In(packet, sender), now)
        else:
            self.desk.not_understood[WHILE_OFF] += 1

    @property
    def due(self) -> int | None:
        """When something happens by itself, ns; None where nothing will."""
        dues = [at for at, _ in self._coarse.values()] + [at for at, _ in self._answers_at]
        dues += [at for at in (self.inward.due, self.outward.due) if at is not None]
        return min(dues, default=None)

    def advance(self, now: int) -> Advanced:
        """All that happens up to a time, ns."""
        heard: list[Taken] = []
        while (due := self._next()) is not None and due <= now:
            for at, _, (packet, sender) in self.inward.take(due):
                happenings = tuple(self.desk.happenings(packet))
                self._react(happenings, sender, at)
                heard.append(Taken(packet, happenings))
            self._due(due)
        return Advanced(tuple(heard), tuple(arrived.thing for arrived in self.outward.take(now)))

    def _next(self) -> int | None:
        """When the desk itself has something to do next."""
        dues = [at for at, _ in self._coarse.values()] + [at for at, _ in self._answers_at]
        return min([*dues, *([] if self.inward.due is None else [self.inward.due])], default=None)

    def _due(self, now: int) -> None:
        """Coarse parts that have waited, and answers that took their time."""
        for spot, (at, sender) in list(self._coarse.items()):
            if at <= now:
                del self._coarse[spot]
                self._tell_of(spot, sender, at)
        ready = [(at, out) for at, out in self._answers_at if at <= now]
        self._answers_at = [(at, out) for at, out in self._answers_at if at > now]
        for at, out in ready:
            self.outward.put(out, at)

    # -- what it makes of a packet --------------------------------------------------------------------------

    def _react(self, happenings: tuple[Happening, ...], sender: Client, now: int) -> None:
        if self.answers.reports and self.answers.subscribe is None:
            self._know(sender, None)
        for one in happenings:
            if isinstance(one, Brought):
                self._brought(one, sender, now)
            elif isinstance(one, Asked):
                self._answer((one.spot,), sender, now)
            elif isinstance(one, AskedAll):
                self._answer(self.desk.spots, sender, now)
            elif isinstance(one, Subscribed):
                # It bears with a renewal that is late by half.
                self._know(sender, None if self.answers.renew is None else now + self.answers.renew * 3 // 2)

    def _brought(self, one: Brought, sender: Client, now: int) -> None:
        spot = Spot(one.heard.mix, one.heard.socket)
        self._coarse.pop(spot, None)
        if one.part is Part.COARSE:
            self._coarse[spot] = now + FINE_NS, sender
        elif one.by_scene:
            self._report(spot, now)
        else:
            self._tell_of(spot, sender, now)

    def _tell_of(self, spot: Spot, sender: Client, now: int) -> None:
        """Say back what a client told, and report it to the others."""
        if self.answers.echoes:
            self._say(spot, sender, now)
        self._report(spot, now, but=(sender,))

    def _report(self, spot: Spot, now: int, but: tuple[Client, ...] = ()) -> None:
        """Tell everybody who wants to know of it."""
        for client in list(self._told(now)):
            if client not in but:
                self._say(spot, client, now)

    def _told(self, now: int) -> Iterator[Client]:
        """Who is told of changes."""
        for client, until in list(self._clients.items()):
            if until is None or now < until:
                yield client
            else:
                del self._clients[client]

    def _say(self, spot: Spot, to: Client, now: int) -> None:
        for packet in self.desk.say(spot):
            self.outward.put(Out(packet, to), now)

    def _answer(self, spots: tuple[Spot, ...], to: Client, now: int) -> None:
        if not self._slow_ns:
            for spot in spots:
                self._say(spot, to, now)
            return
        at = now + self._slow_ns
        self._answers_at += [(at, Out(packet, to)) for spot in spots for packet in self.desk.say(spot)]

    def _know(self, client: Client, until: int | None) -> None:
        self._clients.pop(client, None)
        self._clients[client] = until
        if len(self._clients) > CLIENTS_MAX:
            del self._clients[next(iter(self._clients))]

    def _forget_clients(self) -> None:
        self._clients.clear()
        if self.answers.reports and self.answers.subscribe is None and self.desk.profile.over == "midi":
            self._know(None, None)

    # -- hands at the desk ----------------------------------------------------------------------------------

    def move(self, spot: Spot, level: Level, now: int) -> Heard:
        """A hand moves a fader. Raises WireError where the desk has no such level."""
        heard = self.desk.move(spot, level)
        self._report(spot, now)
        return heard

    def recall(self, scene: int, now: int) -> list[Heard]:
        """A hand recalls a scene that the desk stores; the levels that moved."""
        moved = [one.heard for one in self.desk.recall(scene)]
        for heard in moved:
            self._report(Spot(heard.mix, heard.socket), now)
        return moved

    def power(self, on: bool) -> None:
        """Somebody switches it off or on. Off, it hears and says nothing; on again, it stands at its start and knows
        nobody."""
        if on == self.on:
            return
        self.on = on
        self.inward.cut()
        self.outward.cut()
        self._coarse.clear()
        self._answers_at.clear()
        self._forget_clients()
        if on:
            self.desk.start()
