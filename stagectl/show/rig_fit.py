"""Does the rig fit together? Names, sockets and mixes that stand twice, own inputs, ceilings and messages."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Final, NamedTuple

from stagectl.core.touch import DESK
from stagectl.errors import Fault, WireError, nearest
from stagectl.show.names import OWN, RESERVED, WHOLE, column, inputs_in, twice
from stagectl.show.rig import TOLD, DeviceModel, PlayerModel, RigModel
from stagectl.show.saying import ANY_TRACK, NO_NUMBERS, Numbers, Say
from stagectl.show.source import Source
from stagectl.story.edits import BY_FILES
from stagectl.story.rows import PAGE, PAGE_FOR

WHO: Final[Mapping[str, tuple[str, ...]]] = {
    **dict.fromkeys(("listeners", "pedals"), (DESK, PAGE, BY_FILES)),
    **dict.fromkeys(("players", "devices"), (DESK,)),
}
"""Who else is told to have done something, and so what nobody and nothing in the rig can be called, by key."""


NO_ADDRESS: Final = (".", "..")
"""What no listener can be called, as a browser asks at another address for the page of one (RFC 3986, 5.2.4)."""


class Taken(NamedTuple):
    """A name that stands twice, or that has a meaning of its own, under a key such as `inputs`. What was to be called
    otherwise is not known, so other names may lead nowhere because of it."""

    key: str
    name: str
    fault: Fault


def rig_names(rig: RigModel, source: Source) -> Iterator[Taken]:
    """Names of the rig that are taken."""
    lists: dict[str, Iterable[str]] = {
        "inputs": [one.name for one in rig.inputs],
        "listeners": [one.name for one in rig.listeners],
        "pedals": [one.name for one in rig.pedals],
        "players": [one.name for one in rig.players],
        "devices": [one.name for one in rig.devices],
    }
    pages = [f"{PAGE_FOR}{one.name}" for one in rig.listeners]
    for part, names in lists.items():
        for at, first, name in twice(names):
            line = source.text.line((part, first, "name"))
            says = f"`{name}` is named here again; it stands in line {line} already"
            yield Taken(part, name, source.fault(says, part, at, "name"))
        for at, name in enumerate(names):
            if part == "listeners" and name in NO_ADDRESS:
                says = f"`{name}` cannot stand in the address of a page; choose another name"
                yield Taken(part, name, source.fault(says, part, at, "name"))
            elif name in RESERVED.get(part, ()):
                yield Taken(part, name, source.fault(_reserved(name), part, at, "name"))
            elif name in WHO.get(part, ()) or (PAGE in WHO.get(part, ()) and name in pages):
                says = f"`{name}` stands for something else where it is told who did something; choose another name"
                yield Taken(part, name, source.fault(says, part, at, "name"))
    for name in rig.groups:
        if name in lists["inputs"]:
            says = f"`{name}` is an input already; a group needs a name of its own"
            yield Taken("groups", name, source.fault(says, "groups", name))
        elif name in RESERVED["inputs"]:
            yield Taken("groups", name, source.fault(_reserved(name), "groups", name))


def _reserved(name: str) -> str:
    return f"`{name}` has a meaning of its own in the setlist; choose another name"


def rig_faults(rig: RigModel, source: Source) -> Iterator[Fault]:
    """Sockets and mixes that stand twice, own inputs, groups, ceilings and messages of the rig."""
    for at, first, socket in twice(one.socket for one in rig.inputs):
        owner = rig.inputs[first].name
        yield source.fault(f"socket {socket} is taken by `{owner}` already", "inputs", at, "socket")
    for at, first, mix in twice(one.mix for one in rig.listeners):
        owner = rig.listeners[first].name
        yield source.fault(f"mix {mix} is taken by `{owner}` already", "listeners", at, "mix")
    yield from _listener_faults(rig, source)
    yield from _group_faults(rig, source)
    for at, player in enumerate(rig.players):
        yield from _player_faults(player, source, at)
    for at, device in enumerate(rig.devices):
        for name, messages in device.messages.items():
            yield from says_faults(device, messages, source, NO_NUMBERS, "devices", at, "messages", name)


def _player_faults(player: PlayerModel, source: Source, at: int) -> Iterator[Fault]:
    """What a track player is told, or the outputs of the built-in one."""
    if player.end is not None:
        for word in TOLD:
            yield from says_faults(player, player.told(word), source, ANY_TRACK, "players", at, word)
        return
    assert player.sound is not None
    outputs = player.sound.outputs
    names = list(outputs)
    for one, first, number in twice(outputs.values()):
        says = f"output {number} is `{names[first]}` already"
        yield source.fault(says, "players", at, "sound", "outputs", names[one])
    if player.sound.click is not None and player.sound.click not in outputs:
        says = f"`{player.sound.click}` is not one of the `outputs`{nearest(player.sound.click, outputs)}"
        yield source.fault(says, "players", at, "sound", "click")


def _group_faults(rig: RigModel, source: Source) -> Iterator[Fault]:
    """What is in groups of inputs."""
    known = [one.name for one in rig.inputs]
    for name, inputs in rig.groups.items():
        for at, input_ in enumerate(inputs):
            if input_ not in known:
                yield source.fault(_no_input(rig, input_), "groups", name, at)
        for at, _, input_ in twice(inputs):
            yield source.fault(f"`{input_}` is in this group already", "groups", name, at)


def _no_input(rig: RigModel, name: str, *others: str) -> str:
    """What is wrong with a name that is no input. `others`: what else could stand there."""
    if name in rig.groups:
        return f"`{name}` is a group; name its inputs: {inputs_in(rig, name)}"
    return f"`{name}` is not an input of this rig{nearest(name, [*(one.name for one in rig.inputs), *others])}"


def _listener_faults(rig: RigModel, source: Source) -> Iterator[Fault]:
    inputs = [one.name for one in rig.inputs]
    for at, listener in enumerate(rig.listeners):
        if listener.own_input is not None and listener.own_input not in inputs:
            yield source.fault(_no_input(rig, listener.own_input), "listeners", at, "own input")
        if listener.leads_with == OWN:
            if listener.own_input is None:
                says = f"`{listener.name}` has no `own input`, so to lead with `{OWN}` means nothing"
                yield source.fault(says, "listeners", at, "leads with")
        elif listener.leads_with is not None and listener.leads_with not in inputs:
            yield source.fault(_no_input(rig, listener.leads_with, OWN), "listeners", at, "leads with")
        for name in listener.ceilings:
            if name == OWN:
                if listener.own_input is None:
                    says = f"`{listener.name}` has no `own input`, so a ceiling of `{OWN}` means nothing"
                    yield source.fault(says, "listeners", at, "ceilings", name)
            elif column(rig, listener, name) is None:
                yield source.fault(_no_input(rig, name, OWN, WHOLE), "listeners", at, "ceilings", name)
    known = [one.name for one in rig.listeners]
    for at, pedal in enumerate(rig.pedals):
        if pedal.listener is not None and pedal.listener not in known:
            says = f"`{pedal.listener}` is not a listener of this rig{nearest(pedal.listener, known)}"
            yield source.fault(says, "pedals", at, "listener")
        elif pedal.listener is None and pedal.name in known:
            says = f"`{pedal.name}` is a listener, and this pedal is nobody's: it would take back what they did"
            says = f"{says} (`undo`); say `listener: {pedal.name}`, or choose another name"
            yield source.fault(says, "pedals", at, "name")


def says_faults(
    end: PlayerModel | DeviceModel, messages: Iterable[Say], source: Source, numbers: Numbers, *place: str | int
) -> Iterator[Fault]:
    """Can these messages go out on this end's wire? `numbers`: what words stand for in them."""
    for at, message in enumerate(messages):
        if message.is_osc != (end.host is not None):
            over, there = ("OSC", "a MIDI `port`") if message.is_osc else ("MIDI", "an OSC `host`")
            yield source.fault(f"this message goes over {over}, but `{end.name}` is at {there}", *place, at)
        yield from _tried(message, numbers, source, *place, at)


def _tried(message: Say, numbers: Numbers, source: Source, *place: str | int) -> Iterator[Fault]:
    """A fault where the message cannot be said."""
    try:
        message.packets(numbers)
    except WireError as error:
        yield source.fault(str(error), *place)
