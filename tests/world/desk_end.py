"""The desk's end of the wire: the desk that stands in for one, and the way to it and back."""

from __future__ import annotations

import random
from typing import TYPE_CHECKING, Any, Final

from stagectl.core.levels import Level
from stagectl.desk.faults import Faults
from stagectl.desk.meaning import Spot
from stagectl.desk.stand_in import StandIn
from stagectl.desk.virtual import Heard, VirtualDesk
from stagectl.show.load import Show

from .clock import MS

if TYPE_CHECKING:
    from .night import World

WIRE_NS: Final = MS
"""How long a packet takes to the desk, and back, where nothing is wrong."""


class DeskEnd:
    """Everything that a desk does by itself comes up in the world's agenda."""

    def __init__(self, world: World, show: Show, seed: str) -> None:
        self._world = world
        self.desk = VirtualDesk.of(show)
        for number in world.stage.stored:
            self.desk.store(number)
        self.stand_in = StandIn(self.desk, Faults(delay_ns=0), 0)
        for wire in (self.stand_in.inward, self.stand_in.outward):
            wire._chance = random.Random(f"{seed} {wire is self.stand_in.inward}")
        self._poked: int | None = None

    def hear(self, packet: bytes, sender: int | None) -> None:
        """The program has sent it something."""
        world = self._world
        if world.stage.over == "osc" or world.plugged["desk"]:
            self.stand_in.hear(packet, sender, world.clock.world + WIRE_NS)
            self.poke()

    def move(self, spot: Spot, level: Level) -> Heard:
        """Somebody's hand."""
        heard = self.stand_in.move(spot, level, self._world.clock.world)
        self.poke()
        return heard

    def poke(self) -> None:
        """Something is on its way to the desk, or from it."""
        due = self.stand_in.due
        if due is not None and (self._poked is None or due < self._poked):
            self._poked = due
            self._world.later(due - self._world.clock.world, self._advance)

    def _advance(self) -> None:
        self._poked = None
        world = self._world
        advanced = self.stand_in.advance(world.clock.world)
        for taken in advanced.heard:
            world.rules.arrived(taken.packet)
        for packet, to in advanced.out:
            self._deliver(packet, to)
        self.poke()

    def _deliver(self, packet: bytes, to: Any) -> None:
        """What the desk says arrives."""
        world = self._world
        if world.life is None:
            return
        if world.trace.whole:
            world.trace.say(world.clock.world, "desk > {}", packet)
        if world.stage.over == "midi":
            if world.plugged["desk"] and world.life.system.deliver("desk", packet, world.now):
                world.rules.heard_desk(packet)
        elif to in world.sockets:
            world.rules.heard_desk(packet)
            world.sockets[to].came(packet)

    def passed_over(self, by: int) -> None:
        """Time has gone on with nothing done: subscriptions count as renewed meanwhile."""
        clients = self.stand_in._clients
        clients.update({one: ends + by for one, ends in clients.items() if ends is not None})
