"""A desk of our own: it hears bytes by a profile and keeps every level, as a desk at the other end would."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Final, NamedTuple, TypeAlias

from stagectl.core.grid import Grid
from stagectl.core.levels import OFF, Level, Off
from stagectl.desk.halves import Halves
from stagectl.desk.hear import ear_for
from stagectl.desk.meaning import (
    FINE_ALONE,
    OUT_OF_RANGE,
    Asked,
    AskedAll,
    Part,
    Recalled,
    Spot,
    Subscribed,
    Told,
    packets_of,
    part_of,
)
from stagectl.errors import WireError
from stagectl.show.profile import ProfileModel
from stagectl.wire.laws import Code, Law

if TYPE_CHECKING:
    from stagectl.show.load import Show

NOT_STORED: Final = "a scene that is not stored"

FADER_STEPS_MIN: Final = 2


class Heard(NamedTuple):
    """A level that the desk was brought to. `socket` None: the whole mix."""

    mix: int
    socket: int | None
    level: Level


class Brought(NamedTuple):
    """How a level was brought there: by which part of its value, and whether by a scene that the desk stores."""

    heard: Heard
    part: Part = Part.WHOLE
    by_scene: bool = False


Happening: TypeAlias = Brought | Asked | AskedAll | Subscribed
"""What a message does at a desk."""


class VirtualDesk:
    """A desk. `inputs`, `mixes`: the numbers of its sockets and mixes, or how many there are, counted from 1.
    `fader_steps`: how many places its faders have, evenly over the steps of the law; all of these where left out.

    Every input begins at off in every mix, or at the lowest level where the desk cannot say off; whole mixes begin at
    0 dB, as people leave them, or at the nearest level to it. `not_understood`: messages that changed nothing, by
    reason. Raises WireError where a number does not fit the profile or two levels collide.
    """

    def __init__(
        self,
        profile: ProfileModel,
        inputs: Sequence[int] | int,
        mixes: Sequence[int] | int,
        fader_steps: int | None = None,
    ) -> None:
        self.profile = profile
        self.inputs = _numbers(inputs)
        self.mixes = _numbers(mixes)
        self.not_understood: Counter[str] = Counter()
        self.spots = tuple(Spot(mix, socket) for mix in self.mixes for socket in self.inputs)
        if profile.whole_mix is not None:
            self.spots += tuple(Spot(mix, None) for mix in self.mixes)
        self._ear = ear_for(profile, self.spots, self.not_understood)
        self._halves = Halves()
        self._laws: dict[Spot, Law] = {spot: part_of(profile, spot).law() for spot in self.spots}
        self._faders = {id(law): _fader(law.grid, fader_steps) for law in self._laws.values()}
        self._codes: dict[Spot, Code] = {}
        self._levels: dict[Spot, Level] = {}
        self._scenes: dict[int, tuple[dict[Spot, Code], dict[Spot, Level]]] = {}
        self.start()

    @classmethod
    def of(cls, show: Show) -> VirtualDesk:
        """A desk as a show's rig has it."""
        return cls(show.profile, [one.socket for one in show.rig.inputs], [one.mix for one in show.rig.listeners])

    def start(self) -> None:
        """As it is when it was switched on: inputs at their lowest, whole mixes at 0 dB, nothing half heard. What is
        stored stays."""
        self._ear.forget()
        for spot, law in self._laws.items():
            fader = self._faders[id(law)]
            code = law.code(OFF if spot.socket is not None else fader.nearest(0, fader.highest))
            self._stand(spot, code, law.level(code))

    def level(self, socket: int, mix: int) -> Level:
        """The level of an input in a mix. Raises KeyError where the desk has none."""
        return self._levels[Spot(mix, socket)]

    def whole(self, mix: int) -> Level:
        """The level of a whole mix. Raises KeyError where the desk has none."""
        return self._levels[Spot(mix, None)]

    def levels(self) -> list[Heard]:
        """Every level: the inputs mix by mix, then the whole mixes."""
        return [Heard(*spot, level) for spot, level in self._levels.items()]

    def hear(self, packet: bytes) -> list[Heard]:
        """What the bytes told the desk, in their order: levels that were told, also where they stood there already,
        and of a recalled scene the levels that moved. Never raises; a question changes nothing."""
        return [one.heard for one in self.happenings(packet) if isinstance(one, Brought)]

    def happenings(self, packet: bytes) -> Iterator[Happening]:
        """As `hear`, with questions and subscriptions."""
        for meaning in self._ear.hear(packet):
            if isinstance(meaning, Told):
                yield from self._told(meaning)
            elif isinstance(meaning, Recalled):
                yield from self.recall(meaning.scene)
            else:
                yield meaning

    def say(self, spot: Spot) -> tuple[bytes, ...]:
        """The messages that say where a level stands."""
        return packets_of(self.profile, spot, self._codes[spot])

    def move(self, spot: Spot, level: Level) -> Heard:
        """A hand at the desk brings a level to the nearest place of its fader. Raises WireError where it has none."""
        if spot not in self._laws:
            raise WireError(f"this desk has no level for {spot}")
        law = self._laws[spot]
        code = law.code(self._faders[id(law)].nearest(level, law.grid.highest))
        self._stand(spot, code, law.level(code))
        return Heard(*spot, self._levels[spot])

    def store(self, number: int) -> None:
        """Keep all levels as a stored scene, to be recalled by message. Raises WireError where the profile has no
        message for that number."""
        if self.profile.stored_scene is None:
            raise WireError(f"the profile `{self.profile.name}` recalls no stored scenes")
        if number < 1:
            raise WireError(f"stored scenes are counted from 1; there is no scene {number}")
        self.profile.stored_scene.packets(number)
        self._scenes[number] = (dict(self._codes), dict(self._levels))

    def _stand(self, spot: Spot, code: Code, level: Level) -> None:
        self._codes[spot], self._levels[spot] = code, level
        self._halves.stands(spot, code)

    def _told(self, told: Told) -> Iterator[Brought]:
        law, code = self._laws[told.spot], self._halves.take(told)
        if code is None:
            self.not_understood[FINE_ALONE] += 1
            return
        try:
            level = law.level(code)
        except WireError:
            # Where this was a coarse part, the fine part that follows may bring it into the range.
            self.not_understood[OUT_OF_RANGE] += 1
            return
        fader = self._faders[id(law)]
        if fader is not law.grid and not isinstance(level, Off):
            level = fader.nearest(level, fader.highest)
            code = law.code(level)
        self._codes[told.spot], self._levels[told.spot] = code, level
        yield Brought(Heard(*told.spot, level), told.part)

    def recall(self, scene: int) -> Iterator[Brought]:
        """The levels that move where a stored scene is recalled; one that is not stored moves none and is counted."""
        if scene not in self._scenes:
            self.not_understood[NOT_STORED] += 1
            return
        codes, levels = self._scenes[scene]
        moved = [spot for spot, level in levels.items() if level != self._levels[spot]]
        for spot in self.spots:
            self._stand(spot, codes[spot], levels[spot])
        yield from (Brought(Heard(*spot, levels[spot]), by_scene=True) for spot in moved)


def _fader(grid: Grid, steps: int | None) -> Grid:
    """The places of a fader: the law's own, or so many of them."""
    if steps is None or steps >= len(grid.steps):
        return grid
    if steps < FADER_STEPS_MIN:
        raise WireError(f"a fader has {FADER_STEPS_MIN} steps at least, not {steps}")
    last = len(grid.steps) - 1
    return Grid(steps=tuple(grid.steps[at * last // (steps - 1)] for at in range(steps)), has_off=grid.has_off)


def _numbers(given: Sequence[int] | int) -> tuple[int, ...]:
    numbers = tuple(range(1, given + 1)) if isinstance(given, int) else tuple(given)
    if any(number < 1 for number in numbers):
        raise WireError("sockets and mixes are counted from 1")
    return numbers
