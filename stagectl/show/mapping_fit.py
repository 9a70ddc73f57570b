"""Do the mappings fit the show? What two controls share, and what their actions name."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Final

from stagectl.core.action_table import MAKES_ROOM, Kind
from stagectl.core.actions import NudgeRest
from stagectl.errors import Fault, nearest
from stagectl.show.control_fit import control_faults
from stagectl.show.feet_fit import Feet, actions_over, layer_faults, over_faults, song_feet
from stagectl.show.gestures import ActionModel
from stagectl.show.hearing import Hear, HearKey, HearNote, HearOsc
from stagectl.show.lamp_fit import lamp_end_faults, lamp_faults
from stagectl.show.mapping import MappingModel
from stagectl.show.names import OWN, WHOLE, for_levels
from stagectl.show.overlap import overlaps
from stagectl.show.rig import PedalModel, RigModel
from stagectl.show.sender_fit import sender_faults
from stagectl.show.setlist import SetlistModel
from stagectl.show.source import Source


def mapping_faults(
    setlist: SetlistModel | None, rig: RigModel, mappings: Mapping[str, MappingModel], sources: Mapping[str, Source]
) -> Iterator[Fault]:
    """Faults of each mapping by itself, then of each pedal that uses one."""
    for name, mapping in mappings.items():
        source = sources[f"mapping {name}"]
        names = list(mapping.controls)
        for at, first, both in overlaps([control.sends for control in mapping.controls.values()]):
            says = f"`{names[at]}` sends the same as `{names[first]}`"
            if both:
                says = f"`{names[at]}` and `{names[first]}` can both send {both}"
            yield source.fault(f"{says}: they cannot be told apart", "controls", names[at], "sends")
        for control, model in mapping.controls.items():
            if model.turn is not None and (model.sends.top == 1 or isinstance(model.sends, HearNote)):
                says = f"`{control}` says down or up and no more: what it sends cannot `turn`"
                yield source.fault(says, "controls", control, "turn")
        yield from control_faults(mapping, source)
        yield from layer_faults(name, mapping, setlist, rig, source)
        yield from lamp_faults(mapping, setlist, source)
        for place, _, action in mapping.actions():
            yield from _names(action, mapping, setlist, rig, source, *place)
    for at, pedal in enumerate(rig.pedals):
        if pedal.mapping in mappings:
            yield from _pedal(pedal, at, mappings[pedal.mapping], rig, sources["rig"])
            yield from lamp_end_faults(pedal, at, mappings[pedal.mapping], sources["rig"])
    yield from sender_faults(rig, mappings, sources["rig"])
    if setlist is not None:
        for feet in song_feet(setlist):
            for name in feet.over:
                yield from _song_feet(name, feet, setlist, rig, mappings, sources["setlist"])


def _song_feet(
    name: str,
    feet: Feet,
    setlist: SetlistModel,
    rig: RigModel,
    mappings: Mapping[str, MappingModel],
    source: Source,
) -> Iterator[Fault]:
    """Faults of what a song or a section lays over a pedal's controls."""
    place, overrides = (*feet.place, name), feet.over[name]
    pedal = next((one for one in rig.pedals if one.name == name), None)
    if pedal is None:
        says = f"`{name}` is not a pedal of this rig{nearest(name, [one.name for one in rig.pedals])}"
        yield source.fault(says, *place)
    elif pedal.mapping in mappings:
        mapping = mappings[pedal.mapping]
        under = feet.under.get(name, {})
        yield from over_faults(overrides, mapping, source, *place, under=under, layers=mapping.layers)
        for where, control, action in actions_over(overrides, place):
            yield from _names(action, mapping, setlist, rig, source, *where)
            whose = _whose(action, pedal)
            if whose is None:
                says = f"`{control}` changes the mix of the pedal's own listener, but `{name}` names no `listener`"
                yield source.fault(says, *where)
            elif action.fields().get("input") == OWN and not _has_own(rig, whose):
                says = f"`{control}` moves the own input of `{whose}`, who has no `own input` in the rig"
                yield source.fault(says, *where)


_ENDS: Final = {"midi": "a MIDI `port`", "osc": "an `osc port`", "keyboard": "a `keyboard`"}
_HAS: Final = {"midi": "controls over MIDI", "osc": "controls over OSC", "keyboard": "keys of a keyboard"}


def _wire_of(sends: Hear) -> str:
    return "osc" if isinstance(sends, HearOsc) else "keyboard" if isinstance(sends, HearKey) else "midi"


def _pedal(pedal: PedalModel, at: int, mapping: MappingModel, rig: RigModel, source: Source) -> Iterator[Fault]:
    """A pedal's controls come in on its own kind of wire; an action on the pedal's own listener needs one, and one on
    `own` needs that listener's own input."""
    end = "midi" if pedal.port is not None else "osc" if pedal.osc_port is not None else "keyboard"
    odd: dict[str, list[str]] = {}
    for name, control in mapping.controls.items():
        if _wire_of(control.sends) != end:
            odd.setdefault(_wire_of(control.sends), []).append(name)
    for wire, names in odd.items():
        says = f"`{pedal.name}` is on {_ENDS[end]}, but its mapping has {_HAS[wire]}: {_all(names)}"
        yield source.fault(says, "pedals", at, "mapping")
    ownerless: list[str] = []
    without: dict[str, list[str]] = {}
    for _, name, action in mapping.actions():
        whose = _whose(action, pedal)
        if whose is None:
            ownerless.append(name)
        elif action.fields().get("input") == OWN and not _has_own(rig, whose):
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


def _whose(action: ActionModel, pedal: PedalModel) -> str | None:
    """Whose mix an action of a pedal is about; an empty text where it is about nobody's, None where it lacks one."""
    fields = action.fields()
    if "listener" in fields or ("whose" in fields and fields["whose"] != "everyone"):
        return fields.get("listener") or pedal.listener
    return ""


def _has_own(rig: RigModel, listener: str) -> bool:
    """Has the listener an own input? (One who is not in the rig is a fault of its own.)"""
    return not any(one.name == listener and one.own_input is None for one in rig.listeners)


def _all(names: list[str]) -> str:
    return ", ".join(f"`{name}`" for name in dict.fromkeys(names))


def _verb(verb: str, names: list[str]) -> str:
    return verb if len(set(names)) > 1 else f"{verb}s"


def _names(
    action: ActionModel,
    mapping: MappingModel,
    setlist: SetlistModel | None,
    rig: RigModel,
    source: Source,
    *place: str | int,
) -> Iterator[Fault]:
    """The names in an action, looked up."""
    fields = action.fields()
    known: dict[Kind, list[str]] = {
        Kind.COLUMN: [OWN, WHOLE, *(one.name for one in rig.inputs)],
        Kind.COLUMNS: for_levels(rig),
        Kind.LISTENER: [one.name for one in rig.listeners],
        Kind.DEVICE: [one.name for one in rig.devices],
        Kind.LAYER: list(mapping.layers),
    }
    yield from _of_a_whole_mix(action, fields, source, *place)
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
            elif field.kind is Kind.COLUMN and name in rig.groups:
                yield source.fault(f"`{name}` is a group, and a treadle rides one level", *place, key)
                continue
            yield source.fault(says + nearest(name, known[field.kind]), *place, key)


def _of_a_whole_mix(
    action: ActionModel, fields: Mapping[str, Any], source: Source, *place: str | int
) -> Iterator[Fault]:
    """Beside a whole mix there is no rest."""
    if fields.get("input") != WHOLE:
        return
    if action.spec.word == NudgeRest.word:
        yield source.fault(f"`{NudgeRest.word}: {WHOLE}` moves nothing: there is no rest beside it", *place)
    elif fields.get("rest") == MAKES_ROOM:
        yield source.fault(f"`rest: {MAKES_ROOM}`: there is no rest beside a `{WHOLE}`", *place, "rest")
