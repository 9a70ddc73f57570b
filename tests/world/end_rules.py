"""What hangs at the ends of the wires: at rest it counts as here where it is, keys fire as often as they go down, and
people are told of a whole mix that is off."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any, Final

from stagectl.core.effects import Pressed

from .clock import SECOND
from .inputs import Broken
from .judge import OFF
from .keyboards import KEYS

if TYPE_CHECKING:
    from .night import World

FOUND_NS: Final = 5 * SECOND
"""How long it may take until what was plugged in, or has gone, counts as such, ns."""

NAMES: Final = tuple(KEYS)


class EndRules:
    """Looks on."""

    def __init__(self, world: World) -> None:
        self.world = world
        self._changed: dict[str, int] = {}
        self._downs: Counter[tuple[int, int]] = Counter()
        self._fires: Counter[tuple[int, int]] = Counter()
        self._off: set[str] = set()
        """Listeners whose whole mix was off when the desk was read last, and of whom nobody was told yet."""

    def begins(self) -> None:
        """A process begins."""
        self._downs.clear()
        self._fires.clear()
        self._off.clear()

    def changed(self, name: str) -> None:
        """Something came or went."""
        self._changed[name] = self.world.clock.world

    def down(self, pedal: int, code: int) -> None:
        """A key goes down, and whoever listens is told."""
        for at, name in enumerate(NAMES):
            if KEYS[name] == code:
                self._downs[pedal, at] += 1

    def warned(self, line: str) -> None:
        """A warning is printed, or that everything is ready."""
        if "whole mix" in line:
            self._off = {name for name in self._off if name not in line}

    def stepped(self, plan: Any, before: Any, _event: Any, after: Any, effects: Any) -> None:
        """A step was taken."""
        for one in effects:
            if isinstance(one, Pressed) and one.pedal is not None and self.world.stage.feet[one.pedal] == "keys":
                key = (one.pedal, one.control or 0)
                self._fires[key] += one.gesture == "press"
                if self._fires[key] > self._downs[key]:
                    raise Broken(7, f"key {key} went down {self._downs[key]} times, and fires {self._fires[key]} times")
        if after.desk_here and not before.desk_here:
            self._off = {
                name
                for at, name in enumerate(plan.listeners)
                if plan.can_read(plan.send(at, plan.whole)) and self._is_off(plan.send(at, plan.whole))
            }

    def _is_off(self, send: int) -> bool:
        return self.world.rules.desk.stands.get(self.world.rules.desk._spot(send)) == OFF

    # -- at rest ----------------------------------------------------------------------------------------------

    def settled(self) -> None:
        """Nothing has happened for long."""
        life = self.world.life
        if life is None or not life.ready or self.world.clock.world - life.began < FOUND_NS:
            return
        now, state = self.world.clock.world, life.daemon.night.state
        for at, name in enumerate(self.world.stage.ends):
            plugged = self.world.plugged.get(name, True)
            long = now - self._changed.get(name, 0) >= FOUND_NS and name not in self.world.failing
            if long and self.world.rules._here.get(at, False) != plugged:
                raise Broken(7, f"{name} is {'plugged in' if plugged else 'away'}, and does not count as such")
        self._keys(state)
        self._players(state, now)
        plan = life.daemon.night.plan
        for name in self._off:
            send = plan.send(plan.listeners.index(name), plan.whole)
            if self._is_off(send) and not self._comes(state, send):
                raise Broken(2, f"the whole mix of {name} is off at the desk, and nobody is told")

    def _comes(self, state: Any, send: int) -> bool:
        """Whether the night is to bring a send up, at the first recall if not now, or does not know that it is off."""
        driven = self.world.rules.desk._spot(send).mix in self.world.stage.wholes
        return isinstance(state.steps[send], int) or (driven and not state.recalled) or send not in state.known.said

    def _keys(self, state: Any) -> None:
        """No key that is up counts as down."""
        for name, device in self.world.keyboards.devices.items():
            pedal = self.world.stage.ends.index(name)
            for (whose, control), contact in state.contacts.items():
                down = whose == pedal and contact.down and device.port is not None
                if down and KEYS[NAMES[control]] not in device.held:
                    raise Broken(7, f"the key `{NAMES[control]}` of {name} is up, and counts as down")

    def _players(self, state: Any, now: int) -> None:
        """A player counts as here where it is."""
        for at, name in enumerate(self.world.stage.players):
            here = self.world.sound_lives if name == "laptop" else self.world.plugged[name]
            if now - self._changed.get(name, 0) < FOUND_NS or name in self.world.failing:
                continue
            if (at in state.players_here) != here:
                raise Broken(9, f"the player {name} is {'here' if here else 'away'}, and does not count as such")
