"""Levels below the lowest that the desk's profile can say: the desk gets that one, and is louder than was asked for.

A level that a file says is a fault; one that a shift comes to is warned of. A chart of marks that ends at -10 dB would
make -40 dB of a quiet night -10; one that ends at -60 dB does no harm.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice
from typing import TYPE_CHECKING, Final

from stagectl.core.grid import Grid
from stagectl.core.levels import OFF, Level, Off, text
from stagectl.core.plan import SetTo
from stagectl.errors import Advice, Fault
from stagectl.show.names import REST, WHOLE, spread
from stagectl.show.profile import ProfileModel
from stagectl.show.rig import RigModel
from stagectl.show.setlist import LayerTexts, SetlistModel
from stagectl.show.source import Source
from stagectl.show.yamltext import Path

if TYPE_CHECKING:
    from stagectl.core.plan import Plan
    from stagectl.show.load import Show

AS_OFF: Final = -6_000
"""A desk's lowest level does for off, and for all that is below it, where it is no higher than this, hundredths of a
dB."""

NEAR: Final = 100
"""A desk's lowest level may be so much above what is asked for, hundredths of a dB, or one of its own steps."""


def low_faults(setlist: SetlistModel, rig: RigModel, profile: ProfileModel, source: Source) -> Iterator[Fault]:
    """Levels of the setlist that the desk cannot go down to: of sends, and of whole mixes, the first place, and how
    many more there are."""
    for is_whole, send in ((False, profile.send), (True, profile.whole_mix)):
        grid = None if send is None else send.law().grid
        least = None if grid is None else _least(grid)
        if grid is None or least is None:
            continue
        said = [(level, place) for level, place in _said(setlist, rig) if (place[-1] == WHOLE) is is_whole]
        low = [(level, place) for level, place in said if _is_below(least, level, grid)]
        if low:
            level, place = low[0]
            more = f"; so it is at {len(low) - 1:,} more of the setlist's levels" if len(low) > 1 else ""
            says = f"the desk profile `{profile.name}` cannot say {text(level)}, and the desk would get {_lowest(grid)}"
            yield source.fault(f"{says}: {_helps(grid)}{more}", *place)


def low_advice(show: Show, plan: Plan) -> Iterator[Advice]:
    """The first song or section in which a shift comes to such a level."""
    for columns, grid in ((range(plan.whole), plan.grid), ((plan.whole,), plan.whole_grid)):
        least = None if grid is None else _least(grid)
        if grid is None or least is None:
            continue
        sends = [plan.send(listener, column) for listener in range(len(plan.listeners)) for column in columns]
        low = (
            (stop, send, level)
            for stop in plan.stops
            for send in sends
            if (level := stop.levels[send]) is not None and _is_below(least, level, grid)
        )
        for stop, send, level in islice(low, 1):
            song: Path = ("base",) if stop.song < 0 else ("songs", stop.song)
            place = song if stop.section < 0 else (*song, "sections", stop.section)
            says = f"{plan.send_name(send)} comes to {text(level)} in `{stop.name}`, and the desk would get"
            yield show.sources["setlist"].advice(f"{says} {_lowest(grid)}: {_helps(grid)}", *place)


def _least(grid: Grid) -> int | None:
    """The lowest level that may be asked for, as the desk's lowest stands in for all that is below that; None where
    all may."""
    step = grid.steps[1] - grid.steps[0] if len(grid.steps) > 1 else 0
    least = grid.steps[0] - max(NEAR, step)
    return least if least > AS_OFF else None


def _is_below(least: int, level: Level, grid: Grid) -> bool:
    return not grid.has_off if isinstance(level, Off) else level < least


def _lowest(grid: Grid) -> str:
    return f"{text(grid.steps[0])}, the lowest that it can say"


def _helps(grid: Grid) -> str:
    off = "say `off`, or " if grid.has_off else ""
    return f"{off}give its `values` {'a lower level' if grid.has_off else '`off`'} from the desk's own chart"


def _said(setlist: SetlistModel, rig: RigModel) -> Iterator[tuple[Level, Path]]:
    """Every level that the setlist sets, with its place. What the base does not say for a listener is off."""
    for listener in rig.listeners:
        levels = setlist.base.get(listener.name, {})
        for name, level in levels.items():
            yield level, ("base", listener.name, name)
        named = {at for at, name in spread(rig, listener, levels) if name != WHOLE}
        if REST not in levels and len(named) < len(rig.inputs):
            yield OFF, ("base", listener.name)
    for layer, place in _layers(setlist):
        for name, changes in layer.items():
            for input_, change in changes.items():
                if isinstance(change, SetTo):
                    yield change.level, (*place, name, input_)


def _layers(setlist: SetlistModel) -> Iterator[tuple[LayerTexts, Path]]:
    """The layers over the base, in the order of the file's own account."""
    for venue, layer in setlist.venues.items():
        yield layer, ("venues", venue)
    for scene, one in setlist.scenes.items():
        yield one.levels, ("scenes", scene, "levels")
    for at, song in enumerate(setlist.songs):
        yield song.levels, ("songs", at, "levels")
        for part, section in enumerate(song.sections):
            yield section.levels, ("songs", at, "sections", part, "levels")
