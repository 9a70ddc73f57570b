"""What is remembered at the desk's end: where it stands, what it was told, what hands have left, and how well it is.

The desk's own levels are kept here from the bytes that have arrived at it, read by `judge.py`, and from hands.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from stagectl.core.levels import Off
from stagectl.desk.meaning import Spot

from .clock import SECOND
from .judge import OFF, Judge

if TYPE_CHECKING:
    from .night import World

RESTS_NS: Final = 5 * SECOND
"""After so long, with nothing the matter, the desk stands where it was asked to."""


class DeskMemory:
    """What a bystander at the desk's end knows."""

    def __init__(self, world: World) -> None:
        self.world = world
        self._out, self._in = Judge(world.stage.profile), Judge(world.stage.profile)
        self._there = Judge(world.stage.profile)
        self.stands: dict[Spot, float] = {}
        """Where the desk stands."""
        self._told: dict[Spot, float] = {}
        """What this process last told the desk, or heard of it."""
        self._asked: dict[Spot, float] = {}
        """What it has told it last, whatever was heard since."""
        self._told_at: dict[Spot, int] = {}
        self._read: dict[Spot, int] = {}
        self._unread_ok = False
        self._hands: dict[Spot, float] = {}
        """Levels that hands have left, and the program knows of, while nothing else has happened."""
        self._heard_at: dict[Spot, int] = {}
        """When the program was told of them."""
        self._moved: dict[Spot, float] = {}
        """Where hands have left levels, in this night."""
        self._moved_at: dict[Spot, int] = {}
        self._untold: set[Spot] = set()
        """What hands have moved, and the program has not heard of."""
        self._over: set[Spot] = set()
        """Of these, what may go elsewhere because somebody asked for that before the program has heard."""
        self._paid: dict[Spot, int] = {}
        self._of_scene: set[Spot] = set()
        """What a scene of the desk's own may have moved, and was told nothing since."""
        self._scene_at = -10 * SECOND
        self._faded_at = -10 * SECOND
        """When a fade was last under way."""
        self._busy_until = 0
        self._unwell = 0
        self._lost = 0
        self._calm: dict[Spot, float] | None = None
        self._left: dict[Spot, float] = {}
        self._stirred = True
        self._disturbed = False
        self.power(on=True)
        self._disturbed = False

    def _level(self, level: Any) -> float:
        return OFF if isinstance(level, Off) else level / 100

    # -- what is done to it -----------------------------------------------------------------------------------

    def stir(self, kind: str) -> None:
        """Somebody does something after which levels may move."""
        self._hands.clear()
        self._stirred = True
        self._calm = None
        if kind in ("desk power", "wires", "cable", "hand"):
            self._disturbed = True

    def unwell(self, for_ns: int) -> None:
        self._unwell = max(self._unwell, self.world.clock.world + for_ns)

    def power(self, *, on: bool) -> None:
        """The desk is switched off, or on: then it stands at its start."""
        self.lost()
        if on:
            self.stands = {Spot(one.mix, one.socket): self._level(one.level) for one in self.world.desk.levels()}
            # What hands had left there is gone.
            self._untold = {spot for spot in self._untold if self.stands[spot] == self._moved[spot]}

    def lost(self) -> None:
        """What goes there for a while goes nowhere."""
        self._lost = self.world.clock.world
        self._disturbed = True
        self._told.clear()
        self._asked.clear()
        self._hands.clear()
        self._paid.clear()

    def hand(self, spot: Spot, level: Any) -> None:
        self.stands[spot] = self._moved[spot] = self._level(level)
        self._moved_at[spot] = self.world.clock.world
        self._untold.add(spot)
        self._over.discard(spot)
        self._disturbed = True

    def _healthy(self) -> bool:
        world = self.world
        return (
            world.clock.world >= self._unwell
            and world.clock.world - self._lost >= RESTS_NS
            and world.stand_in.on
            and world.plugged.get("desk", True)
        )

    def _spot(self, send: int) -> Spot:
        plan, rig = self.world.compiled.plan, self.world.show.rig
        listener, column = divmod(send, plan.width)
        socket = None if column == plan.whole else rig.inputs[column].socket
        return Spot(rig.listeners[listener].mix, socket)
