"""Small shows drawn by a seed, and everything that can happen on them, tried out on the real `step`.

A night is walked state by state: from each, every press of every control that is at hand there, until nothing new
comes. Two states count as one where they agree in place, shifts, lifts, rides, layers and in the last steps that can be
undone (at most `BACK_MAX`); the trail of presses is forgotten, since what it brings back was there before. Levels,
steps and limits are whole decibels, so that every press is shown by the desk, and the ends of an interval are met
exactly.
"""

from __future__ import annotations

import random
from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, Final

from depth import LONG
from msgspec.structs import replace

from stagectl.core.actions import (
    WISHED,
    Action,
    Back,
    ClearNudges,
    FallBack,
    GoTo,
    Lasts,
    Next,
    Nothing,
    Nudge,
    Recall,
    Ride,
    SwitchLayer,
    Undo,
)
from stagectl.core.contacts import Switch
from stagectl.core.events import Event, Moved, PlayerEnded, PlayerSaid, Wanted
from stagectl.core.feet import Control, Does, FootLayer, Pair, Pedal, overridden
from stagectl.core.gestures import Gesture
from stagectl.core.grid import Grid
from stagectl.core.levels import OFF, Level
from stagectl.core.limits import Limits
from stagectl.core.nudges import Nudges
from stagectl.core.plan import Plan, Scene, SetTo, ShiftBy, Stop, layered
from stagectl.core.players import CueCall, Player, Then, Timed
from stagectl.core.state import Change, Place, State, begin
from stagectl.core.step import step
from stagectl.proof.fallen import actions_of, as_scene, with_fall_back

BACK_MAX: Final = 2
STATES_MAX: Final = 160 if LONG else 80
"""A show with more states is not a small one."""

SECOND: Final = 1_000_000_000

WHOLE_DB: Final = Grid(steps=range(-3_000, 1_001, 100))


# -- shows ------------------------------------------------------------------------------------------------


def small_show(seed: int) -> Plan:
    """A show; the same for the same seed."""
    return _Draw(random.Random(seed)).plan()


class _Draw:
    def __init__(self, chance: random.Random) -> None:
        self.chance = chance
        self.inputs, self.listeners = chance.randint(1, 2), chance.randint(1, 2)
        self.width = self.inputs + 1
        self.sends = self.width * self.listeners
        self.whole = chance.random() < 0.3
        self.floor = -100 * chance.randint(4, 6)
        self.way = chance.choice((-1, 1)) if chance.random() < 0.2 else 0
        """Nudges for the night and for the song on the same send, all of them up, or all down; 0: of one kind only."""
        self.lasts = chance.choice((Lasts.NIGHT, Lasts.NIGHT, Lasts.SONG, Lasts.SECTION))
        self.treadle = chance.random() < 0.2
        self.tracks = chance.random() < 0.2
        """Whether tracks lead from place to place; the feet then do so less often."""
        self.nudged = chance.randrange(self.width - (not self.whole)), chance.randrange(self.listeners)

    def plan(self) -> Plan:
        chance = self.chance
        songs = [-1]
        for _ in range(chance.randint(1, 3)):
            songs.append(songs[-1] + (songs[-1] < 0 or chance.random() < 0.6))
        base = tuple(self._level(send) for send in range(self.sends))
        self.stops, self.scenes = len(songs), chance.choice((0, 0, 1, 2))
        plan = Plan(
            inputs=tuple(f"input {at}" for at in range(self.inputs)),
            listeners=tuple(f"listener {at}" for at in range(self.listeners)),
            own=tuple(chance.choice((None, 0, self.inputs - 1)) for _ in range(self.listeners)),
            ceilings=tuple(100 * chance.choice((-1, 0, 0, 0, 1)) for _ in range(self.sends)),
            grid=WHOLE_DB,
            whole_grid=WHOLE_DB if self.whole else None,
            stops=tuple(
                Stop(
                    song=song,
                    section=sum(one == song for one in songs[:at]) - 1,
                    name=f"stop {at}",
                    levels=layered(base, self._layer()) if at else base,
                )
                for at, song in enumerate(songs)
            ),
            scenes=tuple(Scene(name=f"scene {at}", layer=self._layer()) for at in range(self.scenes)),
            pedals=tuple(self._pedal(at) for at in range(chance.choice((1, 1, 1, 2)))),
            limits=Limits(nudge_floor=self.floor, nudge_up=100 * chance.randint(1, 2), settle_ns=0),
        )
        stops = [replace(stop, does=self._over(plan)) for stop in plan.stops]
        plan = replace(plan, stops=tuple(stops))
        return self._with_tracks(plan) if self.tracks else plan

    def _with_tracks(self, plan: Plan) -> Plan:
        """Songs with tracks that sections follow, and that may lead on to the next song. The player says where it is,
        so that it may be anywhere at any time."""
        out = list(plan.stops)
        for song in {stop.song for stop in plan.stops[1:]}:
            here = [at for at, stop in enumerate(plan.stops) if stop.song == song]
            followed = [at for at in here[1:] if self.chance.random() < 0.7]
            cue = CueCall(
                player=0,
                by_press=True,
                sections=tuple(Timed(at * SECOND, at) for at in followed),
                then=self.chance.choice((Then.STAY, Then.NEXT)),
            )
            for at in here:
                out[at] = replace(out[at], cue=cue)
        return replace(plan, stops=tuple(out), players=(Player(name="player", says=True),))

    def _level(self, send: int) -> Level | None:
        if send % self.width == self.inputs and (not self.whole or self.chance.random() < 0.5):
            return None
        return OFF if self.chance.random() < 0.15 else 100 * self.chance.randint(-5, 0)

    def _layer(self) -> tuple[tuple[int, SetTo | ShiftBy], ...]:
        chance = self.chance
        some = chance.sample(range(self.sends), chance.randint(0, self.sends))
        changes: list[tuple[int, SetTo | ShiftBy]] = []
        for send in some:
            if send % self.width == self.inputs and not self.whole:
                continue
            draw = chance.random()
            if draw < 0.5:
                changes.append((send, ShiftBy(100 * chance.choice((-3, -2, -1, 1, 2, 4)))))
            elif send % self.width != self.inputs:
                changes.append((send, SetTo(OFF if draw < 0.65 else 100 * chance.randint(-6, 0))))
        return tuple(changes)

    def _pedal(self, at: int) -> Pedal:
        chance = self.chance
        controls = [
            Control(name=f"switch {one}", does={Gesture.PRESS: self._action(one)}, switch=Switch(bounce_ns=0))
            for one in range(chance.randint(2, 4))
        ]
        if self.treadle:
            controls.append(self._treadle(len(controls)))
        layers: tuple[FootLayer, ...] = ()
        if chance.random() < 0.25:
            layers = (FootLayer(name="over", does={0: {Gesture.PRESS: self._action(0)}}),)
            controls.append(
                Control(name="layer", does={Gesture.PRESS: SwitchLayer(layer=0)}, switch=Switch(bounce_ns=0))
            )
        pairs = (Pair(first=0, second=1, does=self._action(0)),) if chance.random() < 0.2 else ()
        listener = chance.choice((None, *range(self.listeners)))
        return Pedal(name=f"pedal {at}", controls=tuple(controls), listener=listener, pairs=pairs, layers=layers)

    def _treadle(self, at: int) -> Control:
        top = self.chance.randint(1, 2)
        low = 100 * self.chance.randint(-top, 1)
        ends = [low, low + 100 * top]
        self.chance.shuffle(ends)
        column, listener = self.nudged
        ride = Ride(low=ends[0], high=ends[1], column=column, listener=listener)
        return Control(name=f"treadle {at}", does={Gesture.TURN: ride}, top=top)

    def _action(self, at: int) -> Action:
        chance = self.chance
        if at == 0 and chance.random() < (0.2 if self.tracks else 0.7):
            return Next()
        draw = chance.random()
        if draw < 0.55:
            column, listener = self.nudged
            lasts = chance.choice(WISHED) if self.way else self.lasts
            by = 100 * chance.choice((-2, -1, -1, 1, 1, 2))
            return Nudge(by=abs(by) * self.way if self.way else by, column=column, listener=listener, lasts=lasts)
        if draw < 0.65 and self.scenes:
            return Recall(scene=chance.randrange(self.scenes))
        kinds: tuple[Action, ...] = (
            Back(),
            Back(),
            Undo(),
            Undo(),
            ClearNudges(everyone=True),
            ClearNudges(),
            Recall(),
            FallBack(),
        )
        return chance.choice((*kinds, GoTo(stop=chance.randrange(self.stops))))

    def _over(self, plan: Plan) -> Mapping[tuple[int, int], Does]:
        """What a stop lays over the controls: seldom anything."""
        if self.chance.random() < 0.75:
            return {}
        pedal = self.chance.randrange(len(plan.pedals))
        control = self.chance.randrange(2)
        over: Action = Nothing() if self.chance.random() < 0.4 else self._action(1)
        return {(pedal, control): overridden(plan.pedals[pedal].controls[control].does, {Gesture.PRESS: over})}


# -- everything that can happen ---------------------------------------------------------------------------


@dataclass(kw_only=True)
class Seen:
    """What came up. `levels`: the exact levels of each send at each place; `rises`: the greatest rise of a send that
    the scene has on before and after, by the stop that was arrived at; `fights`: treadles of one send at one place;
    `held`: sends that a ceiling held when they were nudged."""

    states: int = 0
    levels: dict[tuple[Place, int], set[Level]] = field(default_factory=lambda: defaultdict(set))
    places: set[Place] = field(default_factory=set)
    rises: dict[tuple[int, int], int] = field(default_factory=dict)
    changes: set[tuple[Place, Place]] = field(default_factory=set)
    fights: set[tuple[int, tuple[int, int], tuple[int, int]]] = field(default_factory=set)
    held: set[int] = field(default_factory=set)


def everything(plan: Plan) -> Seen | None:
    """Walk every state that the feet can bring about; None where there are more than `STATES_MAX`."""
    seen = Seen()
    undoes = any(isinstance(action, Undo) for action in actions_of(plan))
    start = step(plan, begin(plan, 0), Wanted(action=Recall(), who="the start"), 0).state
    todo = [_normal(start, undoes)]
    known = {_key(todo[0])}
    while todo:
        state = todo.pop()
        _look(plan, state, seen)
        for after in _afters(plan, state):
            if after.place != state.place:
                _look_at_change(plan, state, after, seen)
            new = _normal(after, undoes)
            key = _key(new)
            if key not in known:
                known.add(key)
                todo.append(new)
                if len(known) > STATES_MAX:
                    return None
    seen.states = len(known)
    return seen


def _afters(plan: Plan, state: State) -> Iterator[State]:
    """The states after every single press (and every sweep of a treadle from one of its ends)."""
    for at, pedal in enumerate(plan.pedals):
        for control, one in enumerate(pedal.controls):
            for gesture, action in plan.does(at, control, state.place.stop, state.layers[at]).items():
                if gesture is Gesture.TURN:
                    for end, to in ((end, to) for end in (0, one.top) for to in range(one.top + 1) if to != end):
                        here = Moved(pedal=at, control=control, value=end)
                        yield _done(plan, state, here, Moved(pedal=at, control=control, value=to))
                elif isinstance(action, SwitchLayer):
                    yield _done(
                        plan,
                        state,
                        Moved(pedal=at, control=control, value=127),
                        Moved(pedal=at, control=control, value=0),
                    )
                else:
                    yield _done(plan, state, Wanted(action=action, who=plan.who(at), listener=pedal.listener))
        for pair in pedal.pairs:
            yield _done(plan, state, Wanted(action=pair.does, who=plan.who(at), listener=pedal.listener))
    cue = plan.stops[state.place.stop].cue
    if cue is not None:
        for position in (0, *(section.position for section in cue.sections)):
            yield _done(plan, state, PlayerSaid(player=cue.player, position=position, runs=True))
        runs = PlayerSaid(player=cue.player, position=0, runs=True)
        yield _done(plan, state, runs, PlayerEnded(player=cue.player, song=plan.stops[state.place.stop].song))


def _done(plan: Plan, state: State, *events: Event) -> State:
    for event in events:
        state = step(plan, state, event, state.now).state
    return state


def _normal(state: State, undoes: bool) -> State:
    """The state without what makes no difference to levels any more."""
    entries: list[Any] = []
    at, been = state.place, {state.place}
    for entry in reversed(state.undo if undoes else ()):
        before, after = entry.before, entry.after
        if before.place != after.place == at and before.place not in been and len(entries) < BACK_MAX:
            bare = [replace(wishes, nudges=_bare(wishes.nudges)) for wishes in (before, after)]
            entries.insert(0, replace(entry, before=bare[0], after=bare[1]))
            at = before.place
            been.add(at)
    nothing: MappingProxyType[Any, Any] = MappingProxyType({})
    return replace(
        state,
        nudges=_bare(state.nudges),
        undo=tuple(entries),
        presses=0,
        last_next=None,
        hands=nothing,
        contacts=nothing,
        bouncing=(),
        grips=nothing,
        fade=None,
        players_run=frozenset(),
        track=None,
        cued=None,
        brought=None,
    )


def _bare(nudges: Nudges) -> Nudges:
    """The nudges without their trails."""
    return tuple(
        MappingProxyType({send: replace(one, trail=()) for send, one in kept.items() if not one.nothing})
        for kept in nudges
    )


def _key(state: State) -> Any:
    back = tuple((entry.who, entry.before.place, _said(_ended(entry))) for entry in state.undo)
    rides = tuple(sorted((send, shift) for send, shift in state.rides.items() if shift))
    return state.place, _said(state.nudges), rides, state.layers, back


def _ended(entry: Change) -> Nudges:
    """The nudges that an entry brings back: those that ended with it."""
    pairs = zip(entry.before.nudges, entry.after.nudges, strict=True)
    return tuple(MappingProxyType({}) if before == after else before for before, after in pairs)


def _said(nudges: Nudges) -> Any:
    return tuple(tuple(sorted((s, one.shift, one.lift) for s, one in kept.items())) for kept in nudges)


def base_of(plan: Plan, place: Place) -> tuple[Level | None, ...]:
    """The scene levels of a place."""
    levels = plan.stops[place.stop].levels
    return levels if place.scene is None else layered(levels, plan.scenes[place.scene].layer)


def _look(plan: Plan, state: State, seen: Seen) -> None:
    place = as_scene(state.place, len(plan.scenes))
    seen.places.add(place)
    seen.held |= state.nudges[Lasts.HELD].keys()
    for send, level in enumerate(state.wanted):
        if level is not None:
            seen.levels[place, send].add(level)
    riders: dict[int, list[tuple[int, int]]] = defaultdict(list)
    for at, pedal in enumerate(plan.pedals):
        for control in range(len(pedal.controls)):
            ride = plan.does(at, control, state.place.stop, state.layers[at]).get(Gesture.TURN)
            if isinstance(ride, Ride) and ride.column is not None and ride.listener is not None:
                riders[plan.send(ride.listener, ride.column)].append((at, control))
    for send, keys in riders.items():
        seen.fights |= {(send, one, other) for one in keys for other in keys if one < other}


def _look_at_change(plan: Plan, before: State, after: State, seen: Seen) -> None:
    shown, proved = len(plan.scenes), with_fall_back(plan)
    places = as_scene(before.place, shown), as_scene(after.place, shown)
    seen.changes.add(places)
    old, new = (base_of(proved, place) for place in places)
    for send, (a, b) in enumerate(zip(before.wanted, after.wanted, strict=True)):
        on = isinstance(old[send], int) and isinstance(new[send], int)
        moved = [[kept.get(send, 0) for kept in (*state.nudges, state.rides)] for state in (before, after)]
        same = moved[0] == moved[1]
        if on and isinstance(a, int) and isinstance(b, int) and same:
            key = send, after.place.stop
            seen.rises[key] = max(seen.rises.get(key, 0), b - a)
