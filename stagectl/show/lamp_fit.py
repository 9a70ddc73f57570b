"""Can the lamps of a mapping be told what they show, and at the pedal's end of the wire?"""

from __future__ import annotations

from collections.abc import Iterator

from stagectl.errors import Fault, WireError
from stagectl.show.lamps import LampModel
from stagectl.show.mapping import MappingModel
from stagectl.show.messages import Say
from stagectl.show.rig import PedalModel
from stagectl.show.setlist import SetlistModel
from stagectl.show.source import Source


def lamp_faults(mapping: MappingModel, setlist: SetlistModel | None, source: Source) -> Iterator[Fault]:
    """Messages that cannot say what they have to: the words in them, and the numbers of the songs."""
    songs = 0 if setlist is None else len(setlist.songs)
    for at, lamp in enumerate(mapping.lamps):
        for key, says in lamp.said().items():
            for which, message in enumerate(says):
                wrong = _wrong(message, songs) if key == "say" else _unsaid(message, {})
                if wrong is not None:
                    yield source.fault(wrong, "lamps", at, key, which)


def _wrong(message: Say, songs: int) -> str | None:
    """Why some song's number cannot be said, of the first such song."""
    for number in range(songs + 1):
        wrong = _unsaid(message, {"song": number})
        if wrong is not None:
            return f"song {number} of {songs} cannot be shown: {wrong}" if number else wrong
    return None


def _unsaid(message: Say, numbers: dict[str, int]) -> str | None:
    try:
        message.packets(numbers)
    except WireError as error:
        return str(error)
    return None


def lamp_end_faults(pedal: PedalModel, at: int, mapping: MappingModel, source: Source) -> Iterator[Fault]:
    """Lamps of a pedal that cannot be told anything, or not over this kind of wire; and an end with no lamps."""
    told_at = "lamps port" if pedal.lamps_port is not None else "lamps host" if pedal.lamps_host is not None else None
    if pedal.keyboard is not None and (mapping.lamps or told_at):
        says = f"`{pedal.name}` is on a `keyboard`, which can be told nothing, so it has no lamps"
        yield source.fault(says, "pedals", at, told_at or "mapping")
    elif told_at and not mapping.lamps:
        says = f"`{told_at}` is of no use: the mapping `{pedal.mapping}` has no `lamps`"
        yield source.fault(says, "pedals", at, told_at)
    elif mapping.lamps and pedal.lamps_end is None:
        says = f"`{pedal.mapping}` has lamps, so `{pedal.name}` needs a `lamps host` (HOST:PORT) where they are told"
        yield source.fault(says, "pedals", at)
    elif mapping.lamps:
        yield from _wires(pedal, at, told_at or "mapping", mapping, source)


def _wires(pedal: PedalModel, at: int, key: str, mapping: MappingModel, source: Source) -> Iterator[Fault]:
    over_osc = pedal.lamps_host is not None
    odd = [lamp.shows for lamp in mapping.lamps if _is_odd(lamp, over_osc=over_osc)]
    if odd:
        names = ", ".join(f"`{name}`" for name in dict.fromkeys(odd))
        over, there = ("MIDI", "an OSC `lamps host`") if over_osc else ("OSC", "a MIDI port")
        says = f"the lamps of `{pedal.name}` are told at {there}, but `{pedal.mapping}` tells them over {over}: {names}"
        yield source.fault(says, "pedals", at, key)


def _is_odd(lamp: LampModel, *, over_osc: bool) -> bool:
    return any(message.is_osc is not over_osc for says in lamp.said().values() for message in says)
