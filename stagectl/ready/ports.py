"""The MIDI ports of pedals, players, devices and the desk: is there one for each, and which?

Names are only listed, and no port is opened. Which port whose is follows `live/watch.py`: what is heard has a port for
itself, in the order of the rig; what is sent to may share one.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final, NamedTuple

from stagectl.errors import DeviceError, nearest
from stagectl.ready.finding import Finding, fine, look, wrong
from stagectl.ready.room import Room

MIDI: Final = "MIDI"

NAMED_MAX: Final = 6
"""Ports that a sentence names; more are counted."""


class Wanted(NamedTuple):
    """A port that is looked for. `what`: whose; `wants`: any part of its name; `place`: where the rig says so.
    `beside`: the pedal whose own port it is, for lamps, and `lamps`: that the night goes on without it."""

    what: str
    wants: str
    hears: bool
    place: str
    beside: str | None = None
    lamps: bool = False


def ports(room: Room) -> list[Finding]:
    """Every MIDI port that the rig names."""
    some = list(wanted(room))
    if not some:
        return []
    from stagectl.ports.midi import open_system

    with room.midi:
        try:
            system = open_system(room.api)
        except DeviceError as error:
            whose = ", ".join(dict.fromkeys(one.what for one in some))
            why, do = apart(str(error))
            return [wrong(MIDI, f"{why}: none of {whose} can be found", do or "`stagectl ports` tries each system")]
        try:
            inputs, outputs = system.inputs(), system.outputs()
        finally:
            system.close()
    return judged(some, inputs, outputs)


def apart(error: str) -> tuple[str, str]:
    """What a driver's error says is the matter, and what it says is to be done: its first sentence, and the others."""
    why, _, do = error.rstrip(".").partition(". ")
    return why[:1].lower() + why[1:], do


def wanted(room: Room) -> Iterator[Wanted]:
    """The ports that the rig names, in its order; the desk's is looked for where it is asked (`desk.py`)."""
    rig, source = room.show.rig, room.show.sources["rig"]

    def at(*path: str | int) -> str:
        return str(source.fault("", *path)).removesuffix(": ")

    for number, pedal in enumerate(rig.pedals):
        if pedal.port is not None:
            yield Wanted(pedal.name, pedal.port, True, at("pedals", number, "port"))
        if room.show.mappings[pedal.mapping].lamps and (end := pedal.lamps_end) is not None and end.port is not None:
            beside = pedal.name if pedal.lamps_port is None else None
            key = "port" if beside else "lamps port"
            yield Wanted(f"lamps of {pedal.name}", end.port, False, at("pedals", number, key), beside, lamps=True)
    for number, player in enumerate(rig.players):
        if player.port is not None:
            yield Wanted(player.name, player.port, False, at("players", number, "port"))
        if player.follow is not None:
            key = "port" if player.follow_port is None else "follow port"
            name = player.follow_port or player.port or ""
            yield Wanted(f"{player.follow} of {player.name}", name, True, at("players", number, key))
    for number, device in enumerate(rig.devices):
        if device.port is not None:
            yield Wanted(device.name, device.port, False, at("devices", number, "port"))


def judged(some: Sequence[Wanted], inputs: Sequence[str], outputs: Sequence[str]) -> list[Finding]:
    """What is to be said of each port, among the names that there are."""
    found: dict[str, str] = {}
    told: set[tuple[bool, str]] = set()
    return [_one(one, some, inputs if one.hears else outputs, found, told) for one in some]


def _one(
    one: Wanted, some: Sequence[Wanted], names: Sequence[str], found: dict[str, str], told: set[tuple[bool, str]]
) -> Finding:
    from stagectl.ports.midi import find_all

    fits = find_all(one.wants, names)
    taken = set(found.values()) if one.hears else set()
    mine = next((name for name in fits if name not in taken), None)
    if one.beside is not None:
        own = found.get(one.beside)
        mine = own if own in fits else mine
    if mine is None:
        return _missing(one, fits, names)
    if one.hears:
        found[one.what] = mine
    sharing = sum(other.wants == one.wants and other.hears is one.hears for other in some) if one.hears else 1
    if len(fits) > sharing and one.beside is None and (one.hears, one.wants) not in told:
        told.add((one.hears, one.wants))
        says = f"at `{mine}`; `{one.wants}` fits {len(fits)} ports: {_listed(fits)}"
        return look(one.what, says, f"say more of the name at {one.place}, or unplug the other")
    return fine(one.what, f"at `{mine}`")


def _missing(one: Wanted, fits: Sequence[str], names: Sequence[str]) -> Finding:
    if fits:
        says = f"another one has the only port that `{one.wants}` fits, {_listed(fits)}"
    else:
        says = f"no port has `{one.wants}` in its name{nearest(one.wants, names)}"
    do = f"plug it in and switch it on, or mend its name at {one.place}; `stagectl ports` lists what there is"
    return look(one.what, f"{says}; its lamps stay dark", do) if one.lamps else wrong(one.what, says, do)


def _listed(names: Sequence[str]) -> str:
    more = f" and {len(names) - NAMED_MAX} more" if len(names) > NAMED_MAX else ""
    return ", ".join(f"`{name}`" for name in names[:NAMED_MAX]) + more
