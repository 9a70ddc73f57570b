"""Why a send has the level that it has: every layer that touches it, in order, each with its place in the files.

The layers are those that the plan is compiled from (`layers.py`), laid by the same rule; what nudges, treadles and
bounds do is asked of the core's `target`, given one more of them each time. So the account ends where the night is.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final, NamedTuple

from msgspec.structs import replace

from stagectl.core.actions import GoTo, Lasts
from stagectl.core.events import Wanted
from stagectl.core.grid import Grid
from stagectl.core.levels import Level, Off, change_text, plain_text, text
from stagectl.core.limits import Bounds
from stagectl.core.nudges import NONE, Nudges, target, without
from stagectl.core.plan import Plan, SetTo, ShiftBy, laid_over
from stagectl.core.state import State
from stagectl.core.step import step
from stagectl.core.targets import mix_at
from stagectl.show.layers import Said, SaidLayers
from stagectl.show.load import Show
from stagectl.show.names import ceiling_said
from stagectl.show.source import Source
from stagectl.show.yamltext import Path

BEYOND: Final = 10**9
"""A level that nothing reaches, hundredths of a dB: a bound there bounds nothing."""

UNBOUNDED: Final = Grid(steps=(BEYOND,))


class Line(NamedTuple):
    """One thing that touches the level. `what`: a layer, nudges, a bound; `did`: in words; `level`: the level after
    it, hundredths of a dB, None where the show drives none; `file`, `line`: where it is written (line 0: the file
    leaves it out)."""

    what: str
    did: str
    level: Level | None
    file: str | None = None
    line: int = 0


class Account:
    """Explains the sends of a plan for a venue, in any state of the night."""

    def __init__(self, show: Show, plan: Plan, venue: str | None) -> None:
        self.plan, self.rig = plan, show.rig
        self.setlist_file, self.rig_file = show.sources["setlist"], show.sources["rig"]
        self.layers = SaidLayers(show.setlist, show.rig, venue)

    def lines(self, send: int, state: State) -> Iterator[Line]:
        """What makes the level of a send, first to last. The last line has the step that the desk is asked for, or
        says why it is asked for none."""
        base: Level | None = None
        for line in self._layers(send, state):
            base = line.level
            yield line
        if self.plan.grid_of(send) is None:
            yield Line("the desk", "has no message for the level of a whole mix", None)
        elif base is None:
            yield Line("base", "says nothing of it, so the show lets it be", None)
        elif state.wanted[send] is None:
            yield Line("night", "nothing was recalled yet; the desk keeps what it has", None)
        else:
            yield from self._asked(send, base, state)

    def _layers(self, send: int, state: State) -> Iterator[Line]:
        place = state.place
        stop, scene = self.plan.stops[0 if place.base else place.stop], place.scene
        level: Level | None = None
        for layer in self.layers.at(stop.song, stop.section, None if scene is None else self.plan.scenes[scene].name):
            for said in layer.said:
                if said.send == send:
                    level = laid_over(level, said.change)
                    yield self._line(layer.kind, self._did(said), level, self.setlist_file, *said.place)

    def _did(self, said: Said) -> str:
        """`-3 dB`, `up 2`, and whom or what it names where that is another word: `up 2 (everyone, own)`."""
        listener, column = divmod(said.send, self.plan.width)
        plain = (self.plan.listeners[listener], self.plan.column_name(column))
        if len(said.place) == 2:
            return "off (not named)"
        other = [str(name) for name, usual in zip(said.place[-2:], plain, strict=True) if name != usual]
        return change_words(said.change) + (f" ({', '.join(other)})" if other else "")

    def _asked(self, send: int, base: Level, state: State) -> Iterator[Line]:
        """Nudges, treadles and bounds over the scene's level, then the mix as a whole, and what the desk has to do with
        it."""
        plan, grid = self.plan, self.plan.grid_of(send)
        yield from self._wishes(send, base, state)
        assert grid is not None
        nudges, ride, ceiling = state.nudges, state.rides.get(send, 0), plan.ceilings[send]
        bounds = Bounds(ceiling=ceiling, grid=UNBOUNDED, limits=plan.limits)
        held = target(base, send, nudges, ride, bounds)
        yield self._ceiling(send, held)
        level = target(base, send, nudges, ride, replace(bounds, grid=grid))
        if level != held:
            yield Line("the desk's range", f"at most {text(grid.highest)}", level)
        yield from self._mix(send, level, state)
        yield Line("the desk's step", "the nearest that it has", state.steps[send])
        if send in state.left and state.asked[send] != state.steps[send]:
            yield Line("hand", "the desk is left as a hand has put it", state.asked[send])
        elif state.desk_here and state.fade is not None and state.asked[send] != state.steps[send]:
            yield Line("fade", "under way; this is what the desk was told so far", state.asked[send])

    def _mix(self, send: int, alone: Level | None, state: State) -> Iterator[Line]:
        """What the mix as a whole does to the level: the ceiling of the sum, a hush."""
        plan = self.plan
        listener, column = divmod(send, plan.width)
        aimed = mix_at(plan, listener, state.wishes)
        if aimed.mix.wanted[column] != alone:
            did = f"{_lower(alone, aimed.mix.wanted[column])} with all inputs: the mix comes to"
            is_theirs = self.rig.listeners[listener].mix_ceiling is not None
            place: Path = ("listeners", listener, "mix ceiling") if is_theirs else ("mix ceiling",)
            top = plan.mix_ceilings[listener]
            yield self._line(
                "mix ceiling", f"{did} {text(top)} at most", aimed.mix.wanted[column], self.rig_file, *place
            )
        if aimed.wanted[column] != aimed.mix.wanted[column]:
            did = _lower(aimed.mix.wanted[column], aimed.wanted[column])
            yield self._line("hush", did, aimed.wanted[column], self.rig_file, "limits", "hush")

    def _wishes(self, send: int, base: Level, state: State) -> Iterator[Line]:
        """What people and treadles do to the scene's level, before any ceiling."""
        limits = self.plan.limits
        deep = limits if isinstance(base, Off) else replace(limits, nudge_floor=-BEYOND)
        bounds = Bounds(ceiling=BEYOND, grid=UNBOUNDED, limits=deep)
        level: Level | None = base
        for lasts in Lasts:
            nudge = state.nudges[lasts].get(send, NONE)
            if nudge.shift or (isinstance(base, Off) and nudge.lift is not None):
                level = target(base, send, _up_to(state.nudges, lasts), 0, bounds)
                did = self._shifted(base, nudge.shift, nudge.lift)
                if nudge.room:
                    part = "" if nudge.room == -nudge.shift else f" {change_text(-nudge.room)} of it"
                    did += f",{part} to make room"
                what = "held when nudged" if lasts is Lasts.HELD else f"nudges for the {lasts.name.lower()}"
                yield Line(what, did, level)
        ride = state.rides.get(send, 0)
        if ride:
            level = target(base, send, state.nudges, ride, bounds)
            yield Line("treadle", self._shifted(base, ride), level)
        floored = target(base, send, state.nudges, ride, replace(bounds, limits=limits))
        if floored != level:
            did = f"less than {text(limits.nudge_floor)} is off"
            yield self._line("nudge floor", did, floored, self.rig_file, "limits", "nudge floor")

    def _shifted(self, base: Level, shift: int, lift: int | None = None) -> str:
        if not isinstance(base, Off):
            return change_text(shift)
        if lift is None:
            return f"{change_text(shift)}, not heard: it is off here"
        return f"{change_text(lift)} from the nudge floor, {text(self.plan.limits.nudge_floor)}"

    def _ceiling(self, send: int, level: Level | None) -> Line:
        at, column = divmod(send, self.plan.width)
        ceiling, keys = ceiling_said(self.rig, self.rig.listeners[at], self.plan.column_name(column))
        place: Path = ("listeners", at, *keys) if keys else ("ceiling",)
        return self._line("ceiling", f"at most {text(ceiling)}", level, self.rig_file, *place)

    def _line(self, what: str, did: str, level: Level | None, source: Source, *place: str | int) -> Line:
        """A line with its place. What stands nowhere in the file (a default) has no line of it."""
        stands = source.text.place(place)
        return Line(what, did, level, str(source.path), source.text.line(stands) if stands else 0)


def _lower(before: Level | None, after: Level | None) -> str:
    """By how much a level came down: `down 0.4`."""
    if isinstance(before, int) and isinstance(after, int):
        return change_words(ShiftBy(after - before))
    return text(after)


def moved_to(plan: Plan, state: State, stop: int) -> State:
    """The state as it would be at another stop, gone to from this one: what carries over is up to the core. At rest."""
    if state.recalled and state.place.stop == stop:
        return state
    there = step(plan, state, Wanted(action=GoTo(stop=stop), who="explain", listener=None), state.now).state
    return replace(there, fade=None)


def change_words(change: SetTo | ShiftBy) -> str:
    """A change of a layer in words: `-3 dB`, `off`, `up 2`, `down 4.5`."""
    if isinstance(change, SetTo):
        return text(change.level)
    return f"{'up' if change.by >= 0 else 'down'} {plain_text(abs(change.by))}"


def _up_to(nudges: Nudges, last: Lasts) -> Nudges:
    """The nudges without those that come after `last` in the order of `Lasts`."""
    for lasts in Lasts:
        if lasts > last.value:
            nudges = without(nudges, lasts)
    return nudges
