"""Do the files of a show fit together? Every name is looked up, every number is tried on its wire."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping

from stagectl.core.levels import Off, text
from stagectl.core.plan import SetTo, ShiftBy
from stagectl.errors import Fault, WireError, nearest
from stagectl.show.desk_fit import desk_faults
from stagectl.show.mapping import MappingModel
from stagectl.show.mapping_fit import mapping_faults
from stagectl.show.names import EVERYONE, OWN, RESERVED, REST, WHOLE, ceiling_of, column, twice
from stagectl.show.profile import ProfileModel
from stagectl.show.rig import DeviceModel, LinkedModel, PlayerModel, RigModel
from stagectl.show.setlist import LayerTexts, MessageModel, SetlistModel
from stagectl.show.source import Source


def reference_faults(
    setlist: SetlistModel | None,
    rig: RigModel | None,
    profile: ProfileModel | None,
    mappings: Mapping[str, MappingModel],
    sources: Mapping[str, Source],
) -> list[Fault]:
    """Every reference that leads nowhere, in as many of the files as could be read."""
    found: list[Fault] = []
    if rig is not None:
        found += rig_faults(rig, sources["rig"])
        if profile is not None:
            found += desk_faults(rig, profile, sources["rig"])
    if setlist is not None:
        found += _repeated_songs(setlist, sources["setlist"])
        if rig is not None:
            found += _Layers(setlist, rig, profile, sources["setlist"]).faults()
            found += _song_faults(setlist, rig, profile, sources["setlist"])
    if rig is not None:
        found += mapping_faults(setlist, rig, mappings, sources)
    return found


# -- the rig ----------------------------------------------------------------------------------------------


def rig_faults(rig: RigModel, source: Source) -> Iterator[Fault]:
    """Names that stand twice or are taken, own inputs, ceilings and messages of the rig."""
    lists: dict[str, Iterable[str]] = {
        "inputs": [one.name for one in rig.inputs],
        "listeners": [one.name for one in rig.listeners],
        "pedals": [one.name for one in rig.pedals],
        "players": [one.name for one in rig.players],
        "devices": [one.name for one in rig.devices],
    }
    for part, names in lists.items():
        for at, first, name in twice(names):
            line = source.text.line((part, first, "name"))
            yield source.fault(f"`{name}` is named here again; it stands in line {line} already", part, at, "name")
        for at, name in enumerate(names):
            if name in RESERVED:
                yield source.fault(f"`{name}` has a meaning of its own here; choose another name", part, at, "name")
    for at, first, socket in twice(one.socket for one in rig.inputs):
        owner = rig.inputs[first].name
        yield source.fault(f"socket {socket} is taken by `{owner}` already", "inputs", at, "socket")
    for at, first, mix in twice(one.mix for one in rig.listeners):
        owner = rig.listeners[first].name
        yield source.fault(f"mix {mix} is taken by `{owner}` already", "listeners", at, "mix")
    yield from _listener_faults(rig, source)
    for at, player in enumerate(rig.players):
        for part in ("start", "stop"):
            yield from _says(player, getattr(player, part), source, True, "players", at, part)
    for at, device in enumerate(rig.devices):
        for name, messages in device.messages.items():
            yield from _says(device, messages, source, False, "devices", at, "messages", name)


def _listener_faults(rig: RigModel, source: Source) -> Iterator[Fault]:
    inputs = [one.name for one in rig.inputs]
    for at, listener in enumerate(rig.listeners):
        if listener.own_input is not None and listener.own_input not in inputs:
            says = f"`{listener.own_input}` is not an input of this rig{nearest(listener.own_input, inputs)}"
            yield source.fault(says, "listeners", at, "own input")
        for name in listener.ceilings:
            if column(rig, listener, name) is None:
                says = f"`{name}` is not an input of this rig{nearest(name, [*inputs, OWN, WHOLE])}"
                yield source.fault(says, "listeners", at, "ceilings", name)
    known = [one.name for one in rig.listeners]
    for at, pedal in enumerate(rig.pedals):
        if pedal.listener is not None and pedal.listener not in known:
            says = f"`{pedal.listener}` is not a listener of this rig{nearest(pedal.listener, known)}"
            yield source.fault(says, "pedals", at, "listener")


def _says(
    end: LinkedModel, messages: Iterable[object], source: Source, has_cue: bool, *place: str | int
) -> Iterator[Fault]:
    """Can these messages go out on this end's wire?"""
    for at, message in enumerate(messages):
        is_osc, packets = message.is_osc, message.packets  # type: ignore[attr-defined]
        if is_osc != (end.host is not None):
            here, there = ("OSC", "a MIDI port") if is_osc else ("MIDI", "an OSC host")
            yield source.fault(f"a message over {here} cannot go to {there}", *place, at)
        try:
            packets(0 if has_cue else None)
        except WireError as error:
            yield source.fault(str(error), *place, at)


# -- the setlist ------------------------------------------------------------------------------------------


def _repeated_songs(setlist: SetlistModel, source: Source) -> Iterator[Fault]:
    for at, first, name in twice(song.name for song in setlist.songs):
        line = source.text.line(("songs", first, "name"))
        says = f"the song `{name}` stands in line {line} already; give it a name of its own, such as `{name} again`"
        yield source.fault(says, "songs", at, "name")
    for at, song in enumerate(setlist.songs):
        for part, first, name in twice(section.name for section in song.sections):
            line = source.text.line(("songs", at, "sections", first, "name"))
            says = f"the section `{name}` stands in line {line} already; give it a name of its own"
            yield source.fault(says, "songs", at, "sections", part, "name")


class _Layers:
    """The levels of the base and of every layer over it."""

    def __init__(self, setlist: SetlistModel, rig: RigModel, profile: ProfileModel | None, source: Source) -> None:
        self.setlist, self.rig, self.profile, self.source = setlist, rig, profile, source
        self.inputs = [one.name for one in rig.inputs]
        self.listeners = [one.name for one in rig.listeners]
        self.highest = None if profile is None else profile.send.law().grid.highest

    def faults(self) -> Iterator[Fault]:
        """Faults of the base, then of the venues, scenes and songs."""
        yield from self._base()
        for name, layer in self.setlist.venues.items():
            yield from self._layer(layer, "venues", name)
        for name, scene in self.setlist.scenes.items():
            yield from self._layer(scene.levels, "scenes", name, "levels")
        for at, song in enumerate(self.setlist.songs):
            yield from self._layer(song.levels, "songs", at, "levels")
            for part, section in enumerate(song.sections):
                yield from self._layer(section.levels, "songs", at, "sections", part, "levels")

    def _base(self) -> Iterator[Fault]:
        for name, levels in self.setlist.base.items():
            if name not in self.listeners:
                says = f"`{name}` is not a listener of this rig{nearest(name, self.listeners)}"
                yield self.source.fault(says, "base", name)
                continue
            for input_, level in levels.items():
                yield from self._send([name], input_, SetTo(level), [REST], "base", name, input_)
        for name in self.listeners:
            if name not in self.setlist.base:
                yield self.source.fault(f"the base says nothing for `{name}`; every listener needs a mix", "base")

    def _layer(self, layer: LayerTexts, *place: str | int) -> Iterator[Fault]:
        for name, changes in layer.items():
            if name != EVERYONE and name not in self.listeners:
                says = f"`{name}` is not a listener of this rig{nearest(name, [*self.listeners, EVERYONE])}"
                yield self.source.fault(says, *place, name)
                continue
            some = self.listeners if name == EVERYONE else [name]
            for input_, change in changes.items():
                yield from self._send(some, input_, change, [], *place, name, input_)

    def _send(
        self, names: list[str], input_: str, change: SetTo | ShiftBy, also: list[str], *place: str | int
    ) -> Iterator[Fault]:
        known = [*self.inputs, OWN, WHOLE, *also]
        if input_ not in known:
            yield self.source.fault(f"`{input_}` is not an input of this rig{nearest(input_, known)}", *place)
            return
        if input_ == WHOLE and self.profile is not None and self.profile.whole_mix is None:
            says = f"the desk profile `{self.profile.name}` has no message for the level of a whole mix"
            yield self.source.fault(says, *place)
            return
        for name in names:
            listener = self.rig.listeners[self.listeners.index(name)]
            if input_ == OWN and listener.own_input is None:
                if len(names) == 1:
                    yield self.source.fault(f"`{name}` has no own input in the rig", *place)
                continue
            yield from self._level(names, name, input_, change, *place)

    def _level(
        self, names: list[str], name: str, input_: str, change: SetTo | ShiftBy, *place: str | int
    ) -> Iterator[Fault]:
        listener = self.rig.listeners[self.listeners.index(name)]
        if input_ == WHOLE and isinstance(change, ShiftBy) and WHOLE not in self.setlist.base.get(name, {}):
            yield self.source.fault(f"the base has no `{WHOLE}` for `{name}` that could be shifted", *place)
        if not isinstance(change, SetTo) or isinstance(change.level, Off):
            return
        real = listener.own_input if input_ == OWN and listener.own_input else input_
        ceiling = ceiling_of(self.rig, listener, real)
        if change.level > ceiling:
            says = f"{text(change.level)} is above the ceiling of `{real}` for `{name}`, {text(ceiling)}"
            yield self.source.fault(says, *place)
        elif self.highest is not None and change.level > self.highest and input_ != WHOLE:
            says = f"{text(change.level)} is above what the desk can do, {text(self.highest)}"
            yield self.source.fault(says, *place)


def _song_faults(setlist: SetlistModel, rig: RigModel, profile: ProfileModel | None, source: Source) -> Iterator[Fault]:
    """Cues, messages and stored scenes."""
    players = [one.name for one in rig.players]
    for at, song in enumerate(setlist.songs):
        if song.cue is not None:
            yield from _cue_faults(song.cue.player, song.cue.number, players, rig, source, "songs", at, "cue")
        yield from _messages(song.messages, rig, source, "songs", at, "messages")
        for part, section in enumerate(song.sections):
            yield from _messages(section.messages, rig, source, "songs", at, "sections", part, "messages")
        if song.stored_scene is not None and profile is not None:
            place = ("songs", at, "stored scene")
            if profile.stored_scene is None:
                yield source.fault(f"the desk profile `{profile.name}` recalls no stored scenes", *place)
            else:
                yield from _tried(lambda: profile.stored_scene.packets(song.stored_scene), source, *place)  # type: ignore[union-attr,arg-type]  # noqa: B023


def _cue_faults(
    name: str, number: int, players: list[str], rig: RigModel, source: Source, *place: str | int
) -> Iterator[Fault]:
    if name not in players:
        yield source.fault(f"`{name}` is not a track player of this rig{nearest(name, players)}", *place, "player")
        return
    player: PlayerModel = rig.players[players.index(name)]
    for message in player.start:
        yield from _tried(lambda message=message: message.packets(number), source, *place, "number")  # type: ignore[misc]


def _messages(messages: list[MessageModel], rig: RigModel, source: Source, *place: str | int) -> Iterator[Fault]:
    devices = [one.name for one in rig.devices]
    for at, message in enumerate(messages):
        if message.to not in devices:
            says = f"`{message.to}` is not a device of this rig{nearest(message.to, devices)}"
            yield source.fault(says, *place, at, "to")
            continue
        device: DeviceModel = rig.devices[devices.index(message.to)]
        if message.message is not None and message.message not in device.messages:
            says = f"`{message.to}` has no message `{message.message}`{nearest(message.message, device.messages)}"
            yield source.fault(says, *place, at, "message")
        if message.say is not None:
            yield from _says(device, message.say, source, False, *place, at, "say")


def _tried(attempt: Callable[[], object], source: Source, *place: str | int) -> Iterator[Fault]:
    """A fault where the attempt to say something on the wire fails."""
    try:
        attempt()
    except WireError as error:
        yield source.fault(str(error), *place)
