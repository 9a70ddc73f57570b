"""Where the feet can get: a walk over every stop under every layer, by every gesture of every control.

A step leads from one stop to another: `next`, `back`, `go to`, and `undo` by whoever has just made such a step. What a
pedal can do depends on the stop and on the layer that lies over its mapping, so the walk keeps, for each stop and
pedal, the layers that can lie there; each pedal's layers are taken to be free of the other pedals', which at worst
takes a place for reachable that no night ever comes to. A track leads from stop to stop by itself (`Plan.led`), under
whatever layers lie there, and no `undo` leads back. Scenes that are laid over a stop change nothing of what the
feet can do.

A gesture counts as done where its foot went down. Where the rig has no pedal, nothing is known of the feet, and the
set is walked from end to end and back.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from typing import NamedTuple

from stagectl.core.actions import Action, Ride, SwitchLayer, Undo
from stagectl.core.gestures import TOGETHER, Gesture
from stagectl.core.plan import Plan
from stagectl.core.state import Place
from stagectl.proof.fallen import fallen, falls_back
from stagectl.proof.moves import Pull, leads, pulls


class Foot(NamedTuple):
    """Something that a foot can do: a gesture of a pedal's control (of a pair: of its first), and its action."""

    pedal: int
    control: int
    gesture: str
    action: Action
    pulls: tuple[Pull, ...]


class Ground(NamedTuple):
    """What the walk has found. `feet`: by reachable stop, what feet can do there. `steps`: by stop, the stops that a
    step leads to; `undone`: those that an `undo` leads back to. `scenes`: by stop, the scenes that can be laid over
    it; `lifted`: those of them that can be taken off again there."""

    feet: dict[int, frozenset[Foot]]
    steps: dict[int, set[int]]
    undone: dict[int, set[int]]
    scenes: dict[int, set[int]]
    lifted: dict[int, set[int]]

    @property
    def places(self) -> list[Place]:
        """Every reachable place."""
        plain = [Place(stop=stop) for stop in sorted(self.feet)]
        return plain + [Place(stop=stop, scene=scene) for stop in sorted(self.feet) for scene in self.scenes[stop]]


def walk(plan: Plan, *, tracks: bool = True) -> Ground:
    """Everything that the feet, and (with `tracks`) tracks by themselves, can get to."""
    return _Walk(plan, tracks).ground()


class _Way(NamedTuple):
    pedal: int
    layer: int | None
    stop: int


class _Walk:
    def __init__(self, plan: Plan, tracks: bool) -> None:
        self.plan = plan
        self.led = [plan.led(stop) if tracks else () for stop in range(len(plan.stops))]
        self.who = [plan.who(pedal) for pedal in range(len(plan.pedals))]
        self.lies: list[dict[int, set[int | None]]] = [defaultdict(set) for _ in plan.pedals]
        self.leaders: dict[int, dict[int, set[int]]] = defaultdict(lambda: defaultdict(set))
        self.steps: dict[int, set[int]] = defaultdict(set)
        self.undone: dict[int, set[int]] = defaultdict(set)
        self.came: dict[int, set[tuple[str, int]]] = defaultdict(set)
        self.undoes: dict[int, set[tuple[str, int, int | None]]] = defaultdict(set)
        self.laid: dict[int, set[tuple[str, int | None]]] = defaultdict(set)
        self.todo: list[tuple[int, int, int | None]] = []
        self.falls_back = falls_back(plan)
        self.known: dict[tuple[int, int | None, int | None], frozenset[Foot]] = {}
        self._joined: dict[tuple[int, ...], frozenset[Foot]] = {}
        self.differs = [
            {stop for stop, at in enumerate(plan.stops) if any(key[0] == p for key in at.does)}
            for p in range(len(plan.pedals))
        ]

    def ground(self) -> Ground:
        for pedal in range(len(self.plan.pedals)):
            self._add(pedal, 0, None)
        while self.todo:
            self._look(*self.todo.pop())
        if not self.plan.pedals:
            return self._without_feet()
        self._over_the_base()
        stops = self.lies[0].keys()
        return Ground(
            feet={stop: self._feet(stop) for stop in stops},
            steps={stop: self.steps[stop] for stop in stops},
            undone={stop: self.undone[stop] for stop in stops},
            scenes={stop: {scene for _, scene in self.laid[stop] if scene is not None} for stop in stops},
            lifted={stop: self._lifted(stop) for stop in stops},
        )

    def _over_the_base(self) -> None:
        """Where feet can fall back and lay scenes, the scenes can lie over the base too."""
        base = fallen(self.plan)
        for laid in self.laid.values():
            if any(scene == base for _, scene in laid) and self.falls_back:
                laid |= {(who, base + 1 + scene) for who, scene in laid if scene is not None and scene < base}

    def _without_feet(self) -> Ground:
        stops = range(len(self.plan.stops))
        beside = {stop: {one for one in (stop - 1, stop + 1) if one in stops} for stop in stops}
        steps = {stop: beside[stop].union(self.led[stop]) for stop in stops}
        nothing: dict[int, set[int]] = {stop: set() for stop in stops}
        return Ground({stop: frozenset() for stop in stops}, steps, nothing, nothing, nothing)

    def _add(self, pedal: int, stop: int, layer: int | None) -> None:
        lies = self.lies[pedal][stop]
        if layer not in lies:
            lies.add(layer)
            self.todo.append((pedal, stop, layer))

    def _look(self, pedal: int, stop: int, layer: int | None) -> None:
        """What a pedal can do at a stop under a layer; and where others take it from there."""
        for to, leaders in self.leaders[stop].items():
            if not leaders <= {pedal}:
                self._add(pedal, to, layer)
        for to in self.led[stop]:
            self.steps[stop].add(to)
            self._add(pedal, to, layer)
        who = self.who[pedal]
        for foot in self.does(pedal, layer, stop):
            place = leads(self.plan, foot.action, stop)
            if isinstance(foot.action, SwitchLayer):
                self._add(pedal, stop, None if layer == foot.action.layer else foot.action.layer)
            elif isinstance(foot.action, Undo):
                self.undoes[stop].add((who, pedal, layer))
                for before in [before for whose, before in self.came[stop] if whose == who]:
                    self._way(stop, _Way(pedal, layer, before), self.undone)
            elif place is not None and place.stop != stop:
                self._way(stop, _Way(pedal, layer, place.stop), self.steps)
                if (who, stop) not in self.came[place.stop]:
                    self.came[place.stop].add((who, stop))
                    for _, other, over in [undo for undo in self.undoes[place.stop] if undo[0] == who]:
                        self._way(place.stop, _Way(other, over, stop), self.undone)
            elif place is not None:
                self.laid[stop].add((who, place.scene))

    def _way(self, stop: int, way: _Way, steps: dict[int, set[int]]) -> None:
        """A pedal leads from a stop to another: it goes there with its layer, and the others with any of theirs."""
        steps[stop].add(way.stop)
        self._add(way.pedal, way.stop, way.layer)
        leaders = self.leaders[stop][way.stop]
        if way.pedal in leaders:
            return
        leaders.add(way.pedal)
        for pedal, lies in enumerate(self.lies):
            if pedal != way.pedal:
                for layer in list(lies[stop]):
                    self._add(pedal, way.stop, layer)

    def _lifted(self, stop: int) -> set[int]:
        """The scenes that can be taken off a stop without leaving it: by `recall`, `go to`, or undone."""
        laid, undoers = self.laid[stop], {who for who, _, _ in self.undoes[stop]}
        if any(scene is None for _, scene in laid):
            return {scene for _, scene in laid if scene is not None}
        return {scene for who, scene in laid if scene is not None and who in undoers}

    # -- what a pedal can do ------------------------------------------------------------------------------

    def _feet(self, stop: int) -> frozenset[Foot]:
        found = [self.does(pedal, layer, stop) for pedal, lies in enumerate(self.lies) for layer in lies[stop]]
        key = tuple(map(id, found))
        if key not in self._joined:
            self._joined[key] = frozenset().union(*found)
        return self._joined[key]

    def does(self, pedal: int, layer: int | None, stop: int) -> frozenset[Foot]:
        """What a pedal can do at a stop under a layer."""
        key = pedal, layer, stop if stop in self.differs[pedal] else None
        if key not in self.known:
            self.known[key] = frozenset(self._does(pedal, layer, stop))
        return self.known[key]

    def _does(self, pedal: int, layer: int | None, stop: int) -> Iterator[Foot]:
        plan, whole = self.plan, self.plan.pedals[pedal]
        for at, control in enumerate(whole.controls):
            for gesture, action in plan.does(pedal, at, stop, layer).items():
                if (gesture is Gesture.TURN) is control.turns and isinstance(action, Ride) is control.turns:
                    yield self._foot(pedal, at, gesture.value, action)
        for pair in whole.pairs:
            yield self._foot(pedal, pair.first, TOGETHER, pair.does)

    def _foot(self, pedal: int, control: int, gesture: str, action: Action) -> Foot:
        return Foot(pedal, control, gesture, action, pulls(self.plan, action, self.plan.pedals[pedal].listener))
