"""Do the files of a show fit together? Every name is looked up, every number is tried on its wire."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping

from stagectl.core.levels import Off, text
from stagectl.core.plan import SetTo, ShiftBy
from stagectl.errors import Fault, WireError, first_of, nearest
from stagectl.show.desk_fit import desk_faults
from stagectl.show.low_fit import low_faults
from stagectl.show.mapping import MappingModel
from stagectl.show.mapping_fit import mapping_faults
from stagectl.show.names import EVERYONE, OWN, RESERVED, REST, WHOLE, ceiling_of, for_levels, spread, twice
from stagectl.show.patch_fit import patch_faults
from stagectl.show.profile import ProfileModel
from stagectl.show.rig import ListenerModel, RigModel
from stagectl.show.rig_fit import Taken, rig_faults, says_faults
from stagectl.show.saying import NO_NUMBERS
from stagectl.show.setlist import LayerTexts, MessageModel, SetlistModel
from stagectl.show.source import Source


def reference_faults(
    setlist: SetlistModel | None,
    rig: RigModel | None,
    profile: ProfileModel | None,
    mappings: Mapping[str, MappingModel],
    sources: Mapping[str, Source],
) -> Iterator[Fault]:
    """Every reference that leads nowhere, in as many of the files as could be read."""
    if rig is not None:
        yield from rig_faults(rig, sources["rig"])
        yield from patch_faults(rig, sources["rig"])
        if profile is not None:
            yield from desk_faults(rig, profile, sources["rig"])
        if setlist is not None:
            yield from _Layers(setlist, rig, profile, sources["setlist"]).faults()
            if profile is not None:
                yield from low_faults(setlist, rig, profile, sources["setlist"])
            yield from _song_faults(setlist, rig, profile, sources["setlist"])
        yield from mapping_faults(setlist, rig, mappings, sources)


def song_names(setlist: SetlistModel, source: Source) -> Iterator[Taken]:
    """Names of songs, and of sections of a song, that are taken."""
    for at, first, name in twice(song.name for song in setlist.songs):
        line = source.text.line(("songs", first, "name"))
        helps = f"give it a name of its own, such as `{name} again`"
        cut = source.text.unsure.get(("songs", at, "name"))
        says = f"the song `{name}` stands in line {line} already; {cut or helps}"
        yield Taken("songs", name, source.fault(says, "songs", at, "name"))
    for at, song in enumerate(setlist.songs):
        for part, first, name in twice(section.name for section in song.sections):
            line = source.text.line(("songs", at, "sections", first, "name"))
            says = f"the section `{name}` stands in line {line} already; give it a name of its own"
            yield Taken("sections", name, source.fault(says, "songs", at, "sections", part, "name"))


class _Layers:
    """The levels of the base and of every layer over it."""

    def __init__(self, setlist: SetlistModel, rig: RigModel, profile: ProfileModel | None, source: Source) -> None:
        self.setlist, self.rig, self.profile, self.source = setlist, rig, profile, source
        self.inputs = [one.name for one in rig.inputs]
        self.groups = list(rig.groups)
        self.listeners = [one.name for one in rig.listeners]

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
            if name == EVERYONE:
                says = f"`{EVERYONE}` has a meaning in venues, scenes, songs and sections only"
                yield self.source.fault(f"{says}: in the base each mix stands by itself", "base", name)
                continue
            if name not in self.listeners:
                says = f"`{name}` is not a listener of this rig{nearest(name, self.listeners)}"
                yield self.source.fault(says, "base", name)
                continue
            yield from self._twice_own([name], levels, "base", name)
            for input_, level in levels.items():
                yield from self._send([name], input_, SetTo(level), levels, "base", name, input_)
            yield from self._twice_grouped(levels, "base", name)
        if EVERYONE not in self.setlist.base:
            yield from self._without()

    def _without(self) -> Iterator[Fault]:
        """Listeners without a mix. Where a name that is none may be theirs, that is the fault."""
        strangers = [name for name in self.setlist.base if name not in self.listeners]
        meant = {
            name for name in self.listeners if any(f"`{name}`?" in nearest(one, self.listeners) for one in strangers)
        }
        known = {*self.setlist.base, *meant, *RESERVED["listeners"]}
        without = [name for name in self.listeners if name not in known]
        if without and not self.setlist.base:
            whose = first_of(f"`{name}`" for name in without)
            yield self.source.fault(f"nobody has a mix: the base says nothing for {whose}", "base")
            return
        for name in without:
            yield self.source.fault(f"the base says nothing for `{name}`; every listener needs a mix", "base")

    def _layer(self, layer: LayerTexts, *place: str | int) -> Iterator[Fault]:
        for name, changes in layer.items():
            if name != EVERYONE and name not in self.listeners:
                says = f"`{name}` is not a listener of this rig{nearest(name, [*self.listeners, EVERYONE])}"
                yield self.source.fault(says, *place, name)
                continue
            some = self.listeners if name == EVERYONE else [name]
            yield from self._twice_own(some, changes, *place, name)
            for input_, change in changes.items():
                yield from self._send(some, input_, change, changes, *place, name, input_)
            yield from self._twice_grouped(changes, *place, name)

    def _twice_own(self, names: list[str], beside: Collection[str], *place: str | int) -> Iterator[Fault]:
        """Own inputs that stand in one entry as `own` and by their names."""
        if OWN not in beside:
            return
        twice = [one for one in self.rig.listeners if one.name in names and one.own_input in beside]
        if twice:
            whose = ", ".join(f"`{OWN}` of `{one.name}` is `{one.own_input}`" for one in twice)
            stands = "which stands" if len(twice) == 1 else "which stand"
            yield self.source.fault(f"{whose}, {stands} here by name, too; say it once", *place, OWN)

    def _twice_grouped(self, beside: Collection[str], *place: str | int) -> Iterator[Fault]:
        """An input that two groups of one entry would change, and that is not named itself."""
        seen: dict[str, str] = {}
        for group in (name for name in beside if name in self.rig.groups):
            for input_ in self.rig.groups[group]:
                if input_ in seen and input_ not in beside:
                    says = (
                        f"`{input_}` is in `{seen[input_]}` and in `{group}`, which both stand here; name it by itself"
                    )
                    yield self.source.fault(says, *place, group)
                    break
                seen[input_] = group

    def _send(
        self, names: list[str], input_: str, change: SetTo | ShiftBy, beside: Collection[str], *place: str | int
    ) -> Iterator[Fault]:
        """Faults of one change, made for some listeners: at most one. `beside`: all that is named in the same entry."""
        in_base = place[0] == "base"
        known = for_levels(self.rig, *([REST] if in_base else []))
        if input_ == REST and not in_base:
            yield self.source.fault(f"`{REST}`, all inputs that are not named, has a meaning in the base only", *place)
            return
        if input_ not in known:
            says = f"`{input_}` is not an input or a group of this rig{nearest(input_, known)}"
            yield self.source.fault(says, *place)
            return
        if input_ == WHOLE and self.profile is not None and self.profile.whole_mix is None:
            says = f"the desk profile `{self.profile.name}` has no message for the level of a `{WHOLE}`"
            yield self.source.fault(says, *place)
            return
        some = [one for one in self.rig.listeners if one.name in names]
        if input_ == OWN:
            owners = [one for one in some if one.own_input is not None]
            if not owners:
                whom = f"`{names[0]}` has no" if len(names) == 1 else "nobody has an"
                yield self.source.fault(f"{whom} `own input` in the rig", *place)
            some = owners
        if input_ == WHOLE and not in_base and (fault := self._no_ground(some, change, *place)) is not None:
            yield fault
        elif isinstance(change, SetTo) and not isinstance(change.level, Off):
            yield from self._level(some, input_, change.level, beside, *place)

    def _no_ground(self, some: list[ListenerModel], change: SetTo | ShiftBy, *place: str | int) -> Fault | None:
        """What is wrong with a change of a whole mix that the base does not set. A venue's level lasts all night; one
        of a song or a scene would never end."""
        without = [one.name for one in some if WHOLE not in self.setlist.base.get(one.name, {})]
        if not self.setlist.base or not without or (place[0] == "venues" and isinstance(change, SetTo)):
            return None
        lacks = "is nothing to shift" if isinstance(change, ShiftBy) else "would be nothing to come back to"
        return self.source.fault(f"the base sets no `{WHOLE}` for {_all(without)}, so there {lacks}", *place)

    def _level(
        self, some: list[ListenerModel], input_: str, level: int, beside: Collection[str], *place: str | int
    ) -> Iterator[Fault]:
        over: dict[tuple[int, tuple[str, ...]], list[str]] = {}
        for listener in some:
            tops: dict[int, list[str]] = {}
            for real in self._meant(listener, input_, beside):
                ceiling = ceiling_of(self.rig, listener, real)
                if level > ceiling:
                    tops.setdefault(ceiling, []).append(real)
            for top, reals in tops.items():
                over.setdefault((top, tuple(reals)), []).append(listener.name)
        if over:
            parts = [f"of {_all(reals)} for {_all(whose)}, {text(top)}" for (top, reals), whose in over.items()]
            yield self.source.fault(f"{_typed(level)} is above the ceiling {'; '.join(parts)}", *place)
            return
        highest = self._highest(input_)
        if highest is not None and level > highest:
            yield self.source.fault(f"{_typed(level)} is above the most that the desk can do, {text(highest)}", *place)

    def _meant(self, listener: ListenerModel, input_: str, beside: Collection[str]) -> list[str]:
        """The inputs that a name means for a listener: of a group those that are not named beside it, and `rest` is all
        that the base does not name for them."""
        if input_ == WHOLE:
            return [WHOLE]
        named = dict(spread(self.rig, listener, beside))
        if input_ == REST:
            return [name for at, name in enumerate(self.inputs) if at not in named]
        return [self.inputs[at] for at, name in named.items() if name == input_]

    def _highest(self, input_: str) -> int | None:
        """The most that the desk can do, where that is known."""
        if self.profile is None:
            return None
        send = self.profile.whole_mix if input_ == WHOLE else self.profile.send
        return None if send is None else send.law().grid.highest


def _typed(level: int) -> str:
    """A level as the files write it: without a plus."""
    return text(level).removeprefix("+")


def _all(names: Iterable[str]) -> str:
    return ", ".join(f"`{name}`" for name in names)


def _song_faults(setlist: SetlistModel, rig: RigModel, profile: ProfileModel | None, source: Source) -> Iterator[Fault]:
    """Messages and stored scenes."""
    for at, song in enumerate(setlist.songs):
        yield from _messages(song.messages, rig, source, "songs", at, "messages")
        for part, section in enumerate(song.sections):
            yield from _messages(section.messages, rig, source, "songs", at, "sections", part, "messages")
        if song.stored_scene is not None and profile is not None:
            yield from _stored(song.stored_scene, profile, source, "songs", at, "stored scene")


def _stored(scene: int, profile: ProfileModel, source: Source, *place: str | int) -> Iterator[Fault]:
    if profile.stored_scene is None:
        yield source.fault(f"the desk profile `{profile.name}` recalls no `stored scene`", *place)
        return
    try:
        profile.stored_scene.packets(scene)
    except WireError as error:
        yield source.fault(str(error), *place)


def _messages(messages: list[MessageModel], rig: RigModel, source: Source, *place: str | int) -> Iterator[Fault]:
    for at, message in enumerate(messages):
        device = next((one for one in rig.devices if one.name == message.to), None)
        if device is None:
            known = [one.name for one in rig.devices]
            yield source.fault(
                f"`{message.to}` is not a device of this rig{nearest(message.to, known)}", *place, at, "to"
            )
            continue
        if message.message is not None and message.message not in device.messages:
            says = f"`{message.to}` has no message `{message.message}`{nearest(message.message, device.messages)}"
            yield source.fault(says, *place, at, "message")
        if message.say is not None:
            yield from says_faults(device, message.say, source, NO_NUMBERS, *place, at, "say")
