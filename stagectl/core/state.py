"""The state of the night: immutable values, shared where unchanged.

What people asked for (place, scene, nudges, rides) is kept apart from what follows from it (`wanted`) and
from what the desk was told (`asked`). At rest `asked` is `wanted` in the desk's own steps.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final, TypeAlias

from msgspec import Struct

from stagectl.core.actions import Ride
from stagectl.core.contacts import Contact
from stagectl.core.doubt import NOTHING_KNOWN, Known
from stagectl.core.fade import Fade
from stagectl.core.gestures import Hand
from stagectl.core.levels import Level
from stagectl.core.nudges import Nudges, no_nudges
from stagectl.core.plan import Levels, Plan

UNDO_MAX: Final = 64
"""Changes that can be taken back; older ones are forgotten first."""


class Place(Struct, frozen=True):
    """Where the night is: the stop, and the scene that was laid over it, if any. `base`: the levels have fallen back to
    those of the base scene."""

    stop: int = 0
    scene: int | None = None
    base: bool = False


class Wishes(Struct, frozen=True):
    """What people have asked for: all that an undo can take back. `rides`: shifts by treadles, by send; `hushed`: the
    listeners whose mixes are taken down; `above`: by listener, how far a whole mix that the show does not drive is
    above 0 dB at the desk, as far as that counts here, hundredths of a dB (no undo takes it back)."""

    place: Place
    nudges: Nudges
    rides: MappingProxyType[int, int]
    hushed: frozenset[int]
    above: Mapping[int, int] = MappingProxyType({})

    def nudged(self, nudges: Nudges) -> Wishes:
        """The same with other nudges."""
        return Wishes(self.place, nudges, self.rides, self.hushed, self.above)


def differ(before: Mapping[int, object], after: Mapping[int, object]) -> list[int]:
    """The sends of which something differs, by send."""
    if before is after:
        return []
    return [send for send in before.keys() | after.keys() if before.get(send) != after.get(send)]


def nudged_between(before: Wishes, after: Wishes) -> list[int]:
    """The sends that were nudged or ridden between two wishes, in their order."""
    moved = differ(before.rides, after.rides)
    for one, other in zip(before.nudges, after.nudges, strict=True):
        if one is not other:
            moved += differ(one, other)
    return sorted(set(moved))


class Change(Struct, frozen=True):
    """An undo entry: who changed what was asked for, when, from what to what. `hand`: the send that a hand at the desk
    moved, which a ceiling may have kept from counting."""

    who: str
    at: int
    before: Wishes
    after: Wishes
    hand: int | None = None


class Grip(Struct, frozen=True):
    """A treadle's last value, and its `shift` by it (hundredths of a dB) as it was mapped then: to which send, by
    which action. `holds`: whether it has taken hold of the level, and then `out` is the shift that it gave last.
    `ignored`: values since that were jitter. `due`, `samples`: of a way that is smoothed (`rides.py`), for `press`."""

    value: int
    shift: int
    holds: bool
    send: int
    action: Ride
    out: int
    press: int
    ignored: int = 0
    due: int | None = None
    samples: tuple[int, ...] = ()


class Running(Struct, frozen=True):
    """The track that runs, or is paused. `zero`: when its position was 0, ns; `paused`: the position at which it
    stands, None where it runs. `done`: up to which position (that one too) everything was done; `due`: when it gets to
    the next place that something happens at. `since`: when it was last told to run."""

    player: int
    number: int
    song: int
    zero: int
    done: int
    since: int
    paused: int | None = None
    due: int | None = None

    def position(self, now: int) -> int:
        """Where it is at a time, ns since its beginning."""
        return now - self.zero if self.paused is None else self.paused


class Report(Struct, frozen=True):
    """What a player said so soon after it was told something that it may be older than that: where the track was at a
    time, ns, and whether it ran."""

    player: int
    position: int
    runs: bool
    at: int


class Touch(Struct, frozen=True):
    """A send that somebody's hand moves on the desk: `level` is where it is, `before` where it was, or where a fade was
    taking it; the hand counts as resting at `due`, ns. `crossing`: what the desk was told last when the hand was
    first heard of, which may come to it after the hand (as `height`)."""

    level: Level
    before: Level | None
    due: int
    crossing: tuple[int, ...] = ()


class Lights(Struct, frozen=True):
    """A pedal's lamps (`lamps.py`). `told`: the value that each was told last, None where that is not known; `last`:
    the one that was told last. `pedal_here`, `wire_here`: whether the pedal is heard, and whether it can be told
    anything. `free`: when its wire has carried what it was given; `due`: when a lamp has to be looked at again;
    `refused`: when a press of this pedal was last refused. Times in ns."""

    told: tuple[int | None, ...]
    free: int
    last: int = -1
    pedal_here: bool = False
    wire_here: bool = False
    due: int | None = None
    refused: int | None = None


Key: TypeAlias = tuple[int, int]
"""A control: its pedal and itself, as indices."""


class State(Struct, frozen=True):
    """Everything that the core remembers. Built by `begin`, changed only by `step`.

    `place`, `nudges`, `rides`, `hushed`, `above`: what people have asked for, as in `Wishes`. `wanted`: exact levels
    that follow from it; `held`: the listeners whose mixes their ceilings hold lower; `steps`: the levels in the desk's
    own steps; `asked`: what the desk was told last; `retell`: sends that it is told again, though they stand so.
    `rising`: of sends that rose, until when that was too fast to go on at once (`rise.py`). `wire_free`: when the
    link has carried what it was given. `contacts`: of every switch that said something since its pedal came;
    `bouncing`: those whose window has ignored an edge. `layers`: of each pedal, the layer that lies over its
    mapping. `known`: what the desk says of itself. `touches`: sends that a hand moves on the desk; `left`: sends
    that are left as a hand has put them. `recalled`: whether any scene was recalled yet; until then nothing is
    driven. `lights`: of each pedal's lamps; empty in a plan without lamps. `players_here`: the track players
    that can be told something; `players_run`: those that last said that they run. `track`: what plays; `cued`: when a
    player was last told something, or a track ended; `starts`: when the present song's track starts by itself;
    `brought`: when a track brought the section that the night is at; `report`: what is to be looked at when the
    players have had their time; `owed`: by player, the track that it was last to be told to stop while it was away;
    `scene_owed`: the stored scene that the desk was to be told while it was away.
    """

    now: int
    place: Place
    nudges: Nudges
    rides: MappingProxyType[int, int]
    hushed: frozenset[int]
    held: frozenset[int]
    wanted: Levels
    steps: Levels
    asked: Levels
    fade: Fade | None
    wire_free: int
    desk_here: bool
    undo: tuple[Change, ...]
    last_next: int | None
    hands: MappingProxyType[Key, Hand]
    contacts: MappingProxyType[Key, Contact]
    bouncing: tuple[Key, ...]
    grips: MappingProxyType[Key, Grip]
    presses: int
    layers: tuple[int | None, ...]
    known: Known = NOTHING_KNOWN
    touches: MappingProxyType[int, Touch] = MappingProxyType({})
    left: frozenset[int] = frozenset()
    recalled: bool = False
    retell: frozenset[int] = frozenset()
    rising: Mapping[int, int] = MappingProxyType({})
    lights: tuple[Lights, ...] = ()
    players_here: frozenset[int] = frozenset()
    players_run: frozenset[int] = frozenset()
    track: Running | None = None
    cued: int | None = None
    starts: int | None = None
    brought: int | None = None
    report: Report | None = None
    owed: Mapping[int, Running] = MappingProxyType({})
    scene_owed: int | None = None
    above: Mapping[int, int] = MappingProxyType({})

    @property
    def wishes(self) -> Wishes:
        """What people have asked for."""
        return Wishes(self.place, self.nudges, self.rides, self.hushed, self.above)


def begin(plan: Plan, now: int) -> State:
    """The state at the start of a night: at the base scene, nothing told to the desk, nothing known of it."""
    unknown: Levels = (None,) * len(plan.ceilings)
    return State(
        now=now,
        place=Place(),
        nudges=no_nudges(),
        rides=MappingProxyType({}),
        hushed=frozenset(),
        held=frozenset(),
        wanted=unknown,
        steps=unknown,
        asked=unknown,
        fade=None,
        wire_free=now,
        desk_here=False,
        undo=(),
        last_next=None,
        hands=MappingProxyType({}),
        contacts=MappingProxyType({}),
        bouncing=(),
        grips=MappingProxyType({}),
        presses=0,
        layers=(None,) * len(plan.pedals),
        lights=_dark(plan, now),
    )


def _dark(plan: Plan, now: int) -> tuple[Lights, ...]:
    if not any(pedal.lamps for pedal in plan.pedals):
        return ()
    return tuple(Lights(told=(None,) * len(pedal.lamps), free=now) for pedal in plan.pedals)
