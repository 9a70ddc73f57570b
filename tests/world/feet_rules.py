"""What feet, their switches and their lamps are promised, looked at after each step: bounce is no foot, and is told of;
the first press after a cable is back counts; lamps show what is; and nothing comes in without bound.
"""

from __future__ import annotations

import re
from collections import Counter
from typing import TYPE_CHECKING, Any, Final

from stagectl.core.effects import Lit, Pressed, Reason, Refused
from stagectl.core.events import Moved, PedalCame, PedalWent, Wake

from .clock import MS
from .inputs import Broken

if TYPE_CHECKING:
    from .night import World

ADVANCING: Final = 13

TRAIN_NS: Final = 250 * MS
"""A train of bounces ends there, whatever the contact goes on to say."""

REPEATS_MAX: Final = 100
"""Repeats of one hold."""

WAKES_MAX: Final = 2_000
"""How often the core is woken at one instant: each time something is done, or time would stand still."""


class FeetRules:
    """Looks on, for as long as a process lasts."""

    def __init__(self, world: World) -> None:
        self.world = world
        self._lit: dict[int, int] = {}
        self._heard: dict[int, set[int]] = {}
        self._edges: dict[tuple[int, int], tuple[int, int]] = {}
        self._ignored: Counter[tuple[int, int]] = Counter()
        self._trains: Counter[tuple[int, int]] = Counter()
        self._told: Counter[tuple[int, int]] = Counter()
        self._repeats: Counter[tuple[int, int]] = Counter()
        self._wakes = (0, 0)

    def stepped(self, plan: Any, event: Any, after: Any, effects: Any) -> None:
        """A step was taken."""
        self._lamps(plan, effects)
        self._bounds(event, self.world.now, effects)
        for one in effects:
            if isinstance(one, Refused) and one.reason is Reason.BOUNCE and one.pedal is not None:
                found = re.match(r"\d+", one.what)
                self._told[one.pedal, one.control or 0] += int(found[0]) if found else 0
        if isinstance(event, PedalCame | PedalWent):
            self._heard[event.pedal] = set()
            self._edges = {key: edge for key, edge in self._edges.items() if key[0] != event.pedal}
        if not isinstance(event, Moved):
            return
        control = plan.pedals[event.pedal].controls[event.control]
        reasons = {one.reason for one in effects if isinstance(one, Refused) and one.at >= after.now}
        if self.first(event) and Reason.ALREADY_DOWN in reasons:
            raise Broken(7, f"the first press after the pedal came is refused: {event}")
        key = (event.pedal, event.control)
        if not control.turns and not reasons & {Reason.ALREADY_DOWN, Reason.ALREADY_UP, Reason.OUT_OF_RANGE}:
            self._edge(key, control.switch.bounce_ns, after.now, effects)

    def first(self, event: Moved) -> bool:
        """Whether the control has said nothing since its pedal came."""
        heard = self._heard.get(event.pedal)
        return heard is not None and event.control not in heard

    def _edge(self, key: tuple[int, int], bounce_ns: int, now: int, effects: Any) -> None:
        """A contact opens or closes: within its window that is bounce."""
        last, first = self._edges.get(key, (now - 10 * TRAIN_NS, now - 10 * TRAIN_NS))
        if now - last < bounce_ns and now - first < TRAIN_NS:
            self._edges[key] = (now, first)
            self._ignored[key] += 1
            if any(isinstance(one, Pressed) and (one.pedal, one.control) == key and one.at >= now for one in effects):
                raise Broken(ADVANCING, f"an edge {(now - last) / MS:.1f} ms after another one is taken for a foot's")
        else:
            self._edges[key] = (now, now)
            self._trains[key] += 1

    def _lamps(self, plan: Any, effects: Any) -> None:
        for one in effects:
            if isinstance(one, Lit):
                gap = plan.pedals[one.pedal].lamps[one.lamp].gap_ns
                if one.at - self._lit.get(one.pedal, one.at - gap) < gap:
                    raise Broken(8, f"two lamps of pedal {one.pedal} are told within {gap / MS:.0f} ms")
                self._lit[one.pedal] = one.at

    def stepped_after(self, event: Any) -> None:
        """Everybody has looked at the step."""
        if isinstance(event, Moved) and event.pedal in self._heard:
            self._heard[event.pedal].add(event.control)

    def _bounds(self, event: Any, now: int, effects: Any) -> None:
        """Nothing goes on for ever."""
        at, wakes = self._wakes
        self._wakes = (now, wakes + 1 if isinstance(event, Wake) and at == now else 0)
        if wakes > WAKES_MAX:
            raise Broken(9, f"the core is woken {wakes} times at one instant: time stands still")
        for one in effects:
            if isinstance(one, Pressed) and one.pedal is not None:
                key = (one.pedal, one.control or 0)
                self._repeats[key] = self._repeats[key] + 1 if one.gesture == "repeat" else 0
                if self._repeats[key] > REPEATS_MAX:
                    raise Broken(8, f"{self._repeats[key]} repeats of one hold, {REPEATS_MAX} at the most")

    def settled(self) -> None:
        """Nothing has happened for long."""
        for key, ignored in self._ignored.items():
            if ignored - self._told[key] > self._trains[key]:
                raise Broken(6, f"{ignored} edges of {key} were bounce, and {self._told[key]} are told of")
        life = self.world.life
        if life is None or not life.ready:
            return
        plan, state = life.daemon.night.plan, life.daemon.night.state
        for pedal, lights in enumerate(state.lights):
            for lamp, told in zip(plan.pedals[pedal].lamps, lights.told, strict=True):
                should = _shows(plan, state, pedal).get(lamp.shows)
                if lights.pedal_here and lights.wire_here and should is not None and told != should:
                    raise Broken(2, f"the lamp `{lamp.shows}` of pedal {pedal} was told {told}, and not {should}")


def _shows(plan: Any, state: Any, pedal: int) -> dict[str, int]:
    """What lamps of a pedal should show."""
    whose = plan.pedals[pedal].listener
    hushed = bool(state.hushed) if whose is None else whose in state.hushed
    runs = state.track is not None and state.track.paused is None
    return {
        "song number": plan.stops[state.place.stop].song + 1,
        "hushed": int(hushed),
        "desk here": int(state.desk_here),
        "track running": int(runs),
    }
