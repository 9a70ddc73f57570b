"""Do the mappings fit the show? What two controls share, and what their actions name."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from stagectl.core.actions import Kind
from stagectl.errors import Fault, nearest
from stagectl.show.hearing import HearOsc
from stagectl.show.mapping import ActionModel, MappingModel
from stagectl.show.names import OWN, WHOLE, twice
from stagectl.show.rig import PedalModel, RigModel
from stagectl.show.setlist import SetlistModel
from stagectl.show.source import Source
from stagectl.show.values import FileModel


def mapping_faults(
    setlist: SetlistModel | None, rig: RigModel, mappings: Mapping[str, MappingModel], sources: Mapping[str, Source]
) -> Iterator[Fault]:
    """Faults of each mapping by itself, then of each pedal that uses one."""
    for name, mapping in mappings.items():
        source = sources[f"mapping {name}"]
        heard = [_heard(control.sends) for control in mapping.controls.values()]
        names = list(mapping.controls)
        for at, first, _ in twice(heard):
            says = f"`{names[at]}` sends the same as `{names[first]}`: they cannot be told apart"
            yield source.fault(says, "controls", names[at], "sends")
        for control, model in mapping.controls.items():
            for gesture, action in model.gestures().items():
                place = ("controls", control, gesture.value)
                yield from _names(action, setlist, rig, source, *place)
    for at, pedal in enumerate(rig.pedals):
        if pedal.mapping in mappings:
            yield from _pedal(pedal, at, mappings[pedal.mapping], rig, sources["rig"])


def _heard(sends: FileModel) -> object:
    """What tells a control from others: an OSC address, or all that a MIDI message is known by. (A control on one
    channel goes before one on any.)"""
    return sends.osc if isinstance(sends, HearOsc) else (type(sends), sends)


def _pedal(pedal: PedalModel, at: int, mapping: MappingModel, rig: RigModel, source: Source) -> Iterator[Fault]:
    """A pedal's controls come in on its own kind of wire; an action on the pedal's own listener needs one, and one on
    `own` needs that listener's own input."""
    has_osc = pedal.osc_port is not None
    odd = [name for name, control in mapping.controls.items() if isinstance(control.sends, HearOsc) != has_osc]
    if odd:
        ends = ("an `osc port`", "MIDI") if has_osc else ("a MIDI `port`", "OSC")
        says = f"`{pedal.name}` is on {ends[0]}, but its mapping has controls over {ends[1]}: {_all(odd)}"
        yield source.fault(says, "pedals", at, "mapping")
    ownerless: list[str] = []
    without: dict[str, list[str]] = {}
    for name, control in mapping.controls.items():
        for action in control.gestures().values():
            fields = action.fields()
            mine = "listener" in fields or ("whose" in fields and fields["whose"] != "everyone")
            whose = fields.get("listener") or pedal.listener
            if mine and whose is None:
                ownerless.append(name)
            elif whose is not None and fields.get("input") == OWN and not _has_own(rig, whose):
                without.setdefault(whose, []).append(name)
    if ownerless:
        does = (
            f"{_all(ownerless)} of `{pedal.mapping}` {_verb('change', ownerless)} the mix of the pedal's own listener"
        )
        yield source.fault(f"{does}, but `{pedal.name}` names no `listener`", "pedals", at)
    for whose, names in without.items():
        does = f"{_all(names)} of `{pedal.mapping}` {_verb('move', names)} the own input of `{whose}`"
        says = f"{does}, who has no `own input` in the rig"
        yield source.fault(says, "pedals", at, "listener")


def _has_own(rig: RigModel, listener: str) -> bool:
    """Has the listener an own input? (One who is not in the rig is a fault of its own.)"""
    return not any(one.name == listener and one.own_input is None for one in rig.listeners)


def _all(names: list[str]) -> str:
    return ", ".join(f"`{name}`" for name in dict.fromkeys(names))


def _verb(verb: str, names: list[str]) -> str:
    return verb if len(set(names)) > 1 else f"{verb}s"


def _names(
    action: ActionModel, setlist: SetlistModel | None, rig: RigModel, source: Source, *place: str | int
) -> Iterator[Fault]:
    """The names in an action, looked up."""
    fields = action.fields()
    known: dict[Kind, list[str]] = {
        Kind.COLUMN: [OWN, WHOLE, *(one.name for one in rig.inputs)],
        Kind.LISTENER: [one.name for one in rig.listeners],
        Kind.DEVICE: [one.name for one in rig.devices],
    }
    device = next((one for one in rig.devices if one.name == fields.get("device")), None)
    if device is not None:
        known[Kind.MESSAGE] = list(device.messages)
    if setlist is not None:
        known[Kind.SONG] = [song.name for song in setlist.songs]
        known[Kind.SCENE] = list(setlist.scenes)
        song = next((song for song in setlist.songs if song.name == fields.get("song")), None)
        if song is not None:
            known[Kind.SECTION] = [section.name for section in song.sections]
    for field in action.spec.fields:
        name = fields[field.name]
        if name is not None and field.kind in known and name not in known[field.kind]:
            key = action.spec.word if field.name == action.spec.main else field.name
            says = f"`{name}` is not {field.kind.value}"
            if field.kind is Kind.SECTION:
                says = f"`{fields['song']}` has no section `{name}`"
            elif field.kind is Kind.MESSAGE:
                says = f"`{fields['device']}` has no message `{name}`"
            yield source.fault(says + nearest(name, known[field.kind]), *place, key)
