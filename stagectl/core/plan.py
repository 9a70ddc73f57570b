"""The night, compiled: what the core needs of the rig, the setlist and the mappings, as plain data.

Names are resolved to indices, levels are laid out flat, and every rule that the core relies on is checked
here once. A *send* is one number: `listener * width + column`, where the columns of a listener are the
inputs in the order of the rig, then the whole mix (the mix's master).
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property
from types import MappingProxyType
from typing import Final, TypeAlias

from msgspec import Struct
from msgspec.structs import force_setattr

from stagectl.core.feet import Does, Pedal, overridden
from stagectl.core.grid import Grid
from stagectl.core.levels import Level, Off
from stagectl.core.limits import Bounds, Limits
from stagectl.core.link import Answers, Link
from stagectl.core.mixes import power
from stagectl.core.players import CueCall, Player, Then
from stagectl.core.rest import Mix, Rest, rest_of

MS: Final = 1_000_000
"""Nanoseconds in a millisecond. All times in the core are integer nanoseconds."""

STEPS_MAX: Final = 1 << 14
"""Steps of the desk that are kept looked up."""

LAID_MAX: Final = 64
"""Places with a scene over them whose levels are kept worked out."""

Levels: TypeAlias = tuple[Level | None, ...]
"""A level for every send; None where the show does not drive it."""


class SetTo(Struct, frozen=True):
    """A layer sets a level."""

    level: Level


class ShiftBy(Struct, frozen=True):
    """A layer shifts what lies under it by so many hundredths of a dB; it leaves `off` alone."""

    by: int


Layer: TypeAlias = tuple[tuple[int, SetTo | ShiftBy], ...]
"""What a venue, a song or a section changes: sends and their changes."""


def laid_over(level: Level | None, change: SetTo | ShiftBy) -> Level | None:
    """A level with one change laid over it."""
    if isinstance(change, SetTo):
        return change.level
    return level + change.by if isinstance(level, int) else level


def layered(levels: Levels, layer: Layer) -> Levels:
    """The levels with one layer laid over them."""
    if not layer:
        return levels
    out = list(levels)
    for send, change in layer:
        out[send] = laid_over(out[send], change)
    return tuple(out)


class Stop(Struct, frozen=True, kw_only=True):
    """A place that the setlist steps through: the start (song -1), a song, or a section of one.

    `levels` are before nudges and ceilings. `messages` are indices into the plan's messages. `stored`: the desk's own
    scene with which the song begins, at the song's own stop. `does`: what controls (by pedal and control) do here, all
    their gestures, where it is something else than their mapping says.
    """

    song: int
    section: int
    name: str
    levels: Levels
    fade_ns: int = 0
    cue: CueCall | None = None
    messages: tuple[int, ...] = ()
    stored: int | None = None
    does: Mapping[tuple[int, int], Does] = MappingProxyType({})


class Scene(Struct, frozen=True):
    """A named scene that `recall` lays over the present stop."""

    name: str
    layer: Layer
    fade_ns: int = 0


class Message(Struct, frozen=True):
    """A message to another device; the core only knows its name."""

    device: int
    name: str


class Group(Struct, frozen=True):
    """Inputs that are nudged together, by their columns."""

    name: str
    columns: tuple[int, ...]


class Plan(Struct, frozen=True, kw_only=True, dict=True):
    """The compiled night. Raises ValueError where its parts do not fit together. `mix_ceilings`: of each listener's mix
    as a sum (None: it has none); no entries are none for anybody."""

    inputs: tuple[str, ...]
    listeners: tuple[str, ...]
    own: tuple[int | None, ...]
    ceilings: tuple[int, ...]
    grid: Grid
    whole_grid: Grid | None
    stops: tuple[Stop, ...]
    scenes: tuple[Scene, ...] = ()
    pedals: tuple[Pedal, ...] = ()
    players: tuple[Player, ...] = ()
    devices: tuple[str, ...] = ()
    messages: tuple[Message, ...] = ()
    link: Link = Link()
    limits: Limits = Limits()
    mix_ceilings: tuple[int | None, ...] = ()
    groups: tuple[Group, ...] = ()
    answers: Answers = Answers()

    def __post_init__(self) -> None:
        sends = self.width * len(self.listeners)
        if len(self.own) != len(self.listeners):
            raise ValueError("`own` needs an entry for each listener")
        if len(self.ceilings) != sends:
            raise ValueError(f"`ceilings` needs {sends} entries, one for each send, not {len(self.ceilings)}")
        if not self.stops or self.stops[0].song != -1:
            raise ValueError("the first stop is the base scene, before the first song")
        for stop in self.stops:
            if len(stop.levels) != sends:
                raise ValueError(f"stop {stop.name!r} has {len(stop.levels)} levels instead of {sends}")
        if not self.mix_ceilings:
            force_setattr(self, "mix_ceilings", (None,) * len(self.listeners))
        if len(self.mix_ceilings) != len(self.listeners):
            raise ValueError("`mix_ceilings` needs an entry for each listener, or none")
        for send, (grid, ceiling) in enumerate(zip(self.grids, self.ceilings, strict=True)):
            if grid is not None and not grid.has_off and grid.steps[0] > ceiling:
                raise ValueError(f"the desk cannot go as low as the ceiling of {self.send_name(send)}")
        for listener, top in zip(self.listeners, self.mix_ceilings, strict=True):
            if top is not None and self.lowest_sum > power(top):
                raise ValueError(f"the desk cannot go as low as the ceiling of the mix of {listener}")

    @property
    def lowest_sum(self) -> int:
        """What a mix comes to, as a power, when the desk has taken all its inputs as low as they go."""
        if self.grid.has_off:
            return 0
        whole = 0 if self.whole_grid is None or self.whole_grid.has_off else max(0, self.whole_grid.highest)
        return len(self.inputs) * power(self.grid.steps[0] + whole)

    @cached_property
    def laid(self) -> dict[tuple[int, int], Rest]:
        """The same for stops with a scene over them, by both, of those that were met (`targets.py`)."""
        return {}

    @cached_property
    def bounded(self) -> tuple[Levels, ...]:
        """For each stop, the exact levels with nobody's nudges, held at or below ceiling and desk."""
        return tuple(self.bound(stop.levels) for stop in self.stops)

    @cached_property
    def rests(self) -> tuple[Rest, ...]:
        """For each stop, the levels with nobody's nudges, held under the ceilings of the mixes too."""
        seen: dict[tuple[Level | None, ...], Mix] = {}
        return tuple(rest_of(self, bounded, seen) for bounded in self.bounded)

    def bound(self, levels: Levels) -> Levels:
        """The levels held at or below each send's ceiling and the desk's highest step; None where the desk
        has no message for a send."""
        return tuple(
            None if top is None else top if isinstance(level, int) and level > top else level
            for level, top in zip(levels, self.tops, strict=True)
        )

    def in_steps(self, send: int, level: Level | None) -> Level | None:
        """The desk's own step for an exact level."""
        grid = self.grids[send]
        if level is None or grid is None:
            return None
        ceiling = self.ceilings[send]
        if isinstance(level, Off):
            return grid.nearest(level, ceiling)
        steps, key = self._steps[grid is self.grid], (level, ceiling)
        step = steps.get(key)
        if step is None:
            if len(steps) >= STEPS_MAX:
                steps.clear()
            step = steps[key] = grid.nearest(level, ceiling)
        return step

    @cached_property
    def _steps(self) -> tuple[dict[tuple[int, int], Level], dict[tuple[int, int], Level]]:
        """Steps that were looked up before: of whole mixes, and of inputs."""
        return {}, {}

    @cached_property
    def grids(self) -> tuple[Grid | None, ...]:
        """The levels that the desk can say, for each send."""
        return tuple(map(self.grid_of, range(len(self.ceilings))))

    @cached_property
    def bounds(self) -> tuple[Bounds | None, ...]:
        """What bounds each send; None where the desk has no message for it."""
        pairs = zip(self.grids, self.ceilings, strict=True)
        return tuple(
            None if grid is None else Bounds(ceiling=ceiling, grid=grid, limits=self.limits) for grid, ceiling in pairs
        )

    @cached_property
    def tops(self) -> tuple[int | None, ...]:
        """The highest level of each send, by its ceiling and the desk's highest step; None where the desk has no
        message for it."""
        return tuple(None if bounds is None else bounds.top for bounds in self.bounds)

    @cached_property
    def own_stops(self) -> Mapping[int, Stop]:
        """The first stop of each song: its own, before those of its sections."""
        own: dict[int, Stop] = {}
        for stop in self.stops:
            own.setdefault(stop.song, stop)
        return own

    def begun(self, old: int, new: int) -> Stop | None:
        """The song that begins where the night comes from one stop to another, as its own stop, even where it is
        entered at a section. None where the same song goes on."""
        stop = self.stops[new]
        own = self.own_stops[stop.song]
        goes_on = stop.song == self.stops[old].song and stop is not own
        return None if old == new or goes_on else own

    def standing(self, send: int, level: Level) -> Level | None:
        """The desk's own step for a level that it says it has, which may be above the ceiling."""
        grid = self.grid_of(send)
        return None if grid is None else grid.nearest(level, grid.highest)

    @cached_property
    def width(self) -> int:
        """Sends of one listener: every input, then the whole mix."""
        return len(self.inputs) + 1

    @cached_property
    def whole(self) -> int:
        """The column of the whole mix."""
        return len(self.inputs)

    def send(self, listener: int, column: int) -> int:
        """The send's index."""
        return listener * self.width + column

    @cached_property
    def mixes(self) -> tuple[slice, ...]:
        """Where each listener's sends stand among all of them."""
        return tuple(slice(self.send(at, 0), self.send(at + 1, 0)) for at in range(len(self.listeners)))

    def listener_of(self, send: int) -> int:
        """The listener whose send it is."""
        return send // self.width

    def grid_of(self, send: int) -> Grid | None:
        """The levels that the desk can say for a send; None for a whole mix that this desk has no message for."""
        return self.whole_grid if send % self.width == self.whole else self.grid

    def can_ask(self, send: int) -> bool:
        """Whether the desk can be asked for the level of this one send."""
        answers = self.answers
        asked = answers.each and (answers.whole or send % self.width != self.whole)
        return asked and self.grid_of(send) is not None

    def can_read(self, send: int) -> bool:
        """Whether the desk says the level of a send when it is asked for it, or for all."""
        return self.can_ask(send) or (self.answers.all and self.grid_of(send) is not None)

    def takes(self, send: int) -> int:
        """How long telling a send's level takes on the wire, ns."""
        return self.takes_ns[send]

    @cached_property
    def takes_ns(self) -> tuple[int, ...]:
        """The same for each send."""
        sends = range(len(self.ceilings))
        return tuple(self.link.takes(whole=send % self.width == self.whole) for send in sends)

    def column_name(self, column: int) -> str:
        """The input's name, `whole mix`, or the name of a group, whose columns come after that."""
        if column > self.whole:
            return self.groups[column - self.width].name
        return "whole mix" if column == self.whole else self.inputs[column]

    def members(self, column: int) -> tuple[int, ...]:
        """The columns that a column means: a group's inputs, or itself."""
        return self.groups[column - self.width].columns if column > self.whole else (column,)

    def send_name(self, send: int) -> str:
        """`kick in the mix of drummer`, for messages."""
        return self.part_name(*divmod(send, self.width))

    @cached_property
    def send_names(self) -> tuple[tuple[str, str], ...]:
        """The names of each send's listener and of its input."""
        columns = [self.column_name(column) for column in range(self.width)]
        return tuple((listener, column) for listener in self.listeners for column in columns)

    def part_name(self, listener: int, column: int) -> str:
        """The same of a part of a mix, which may be a group."""
        return f"{self.column_name(column)} in the mix of {self.listeners[listener]}"

    @cached_property
    def sends_by_name(self) -> dict[tuple[str, str], int]:
        """Every send by the names of its listener and of its input, in the order of the sends."""
        return {names: send for send, names in enumerate(self.send_names)}

    def first_of(self, song: int) -> int | None:
        """The stop at which a song begins; None where there is no such song."""
        return self._firsts.get(song)

    @cached_property
    def _firsts(self) -> dict[int, int]:
        return {stop.song: at for at, stop in reversed(list(enumerate(self.stops)))}

    def in_force(self, stop: int, position: int) -> int | None:
        """The stop of the present song that belongs to a position of its track; None where none of its sections follows
        the track."""
        cue = self.stops[stop].cue
        if cue is None or not cue.sections:
            return None
        passed = [section.stop for section in cue.sections if section.position <= position]
        return passed[-1] if passed else self.first_of(self.stops[stop].song)

    def led(self, stop: int) -> tuple[int, ...]:
        """The stops that a track may bring the night to from a stop, by itself."""
        here = self.stops[stop]
        if here.cue is None:
            return ()
        found: list[int | None] = [section.stop for section in here.cue.sections]
        player = self.players[here.cue.player]
        if found and (player.says or player.is_ours):
            found.append(self.first_of(here.song))
        else:
            found = [one for one in found if one is not None and one > stop]
        if here.cue.then is not Then.STAY:
            found.append(self.first_of(here.song + 1))
        return tuple(sorted({one for one in found if one not in (None, stop)}))

    def song_name(self, stop: int) -> str:
        """The name of the song that a stop belongs to; before the first it is that of the base."""
        return self.stops[self._firsts[self.stops[stop].song]].name

    def does(self, pedal: int, control: int, stop: int, layer: int | None) -> Does:
        """What a control's gestures do at a stop, under a layer of its pedal: its mapping, then what the song and the
        section say, then the layer, which the foot has asked for last."""
        whole = self.pedals[pedal]
        does = self.stops[stop].does.get((pedal, control), whole.controls[control].does)
        over = None if layer is None else whole.layers[layer].does.get(control)
        return does if over is None else overridden(does, over)

    def who(self, pedal: int) -> str:
        """Whose change it is: the pedal's listener, or the pedal itself where nobody's ears belong to it."""
        owner = self.pedals[pedal].listener
        return self.pedals[pedal].name if owner is None else self.listeners[owner]
