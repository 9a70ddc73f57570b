"""Do the mappings fit the show? What two controls share, and what their actions name."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from stagectl.core.actions import Kind
from stagectl.errors import Fault, nearest
from stagectl.show.mapping import ActionModel, MappingModel
from stagectl.show.messages import HearOsc
from stagectl.show.names import OWN, WHOLE, twice
from stagectl.show.rig import PedalModel, RigModel
from stagectl.show.setlist import SetlistModel
from stagectl.show.source import Source


def mapping_faults(
    setlist: SetlistModel | None, rig: RigModel, mappings: Mapping[str, MappingModel], sources: Mapping[str, Source]
) -> Iterator[Fault]:
    """Faults of each mapping by itself, then of each pedal that uses one."""
    for name, mapping in mappings.items():
        source = sources[f"mapping {name}"]
        heard = [repr(control.sends) for control in mapping.controls.values()]
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


def _pedal(pedal: PedalModel, at: int, mapping: MappingModel, rig: RigModel, source: Source) -> Iterator[Fault]:
    for control, model in mapping.controls.items():
        if isinstance(model.sends, HearOsc) != (pedal.osc_port is not None):
            ends = ("a MIDI port", "an OSC message") if pedal.osc_port is None else ("an OSC port", "a MIDI message")
            says = f"`{pedal.name}` is on {ends[0]}, but `{control}` of its mapping sends {ends[1]}"
            yield source.fault(says, "pedals", at, "mapping")
        for action in model.gestures().values():
            yield from _owner(pedal, at, control, action, rig, source)


def _owner(
    pedal: PedalModel, at: int, control: str, action: ActionModel, rig: RigModel, source: Source
) -> Iterator[Fault]:
    """An action on the pedal's own listener needs one; one on `own` needs that listener's own input."""
    fields = action.fields()
    mine = (
        "listener" in fields
        or fields.get("whose") in ("mine",)
        or (action.spec.word == "clear nudges" and not fields["whose"])
    )
    whose = fields.get("listener") or pedal.listener
    if mine and whose is None:
        does = f"`{control}` of `{pedal.mapping}` does `{action.spec.word}` to the pedal's own listener"
        yield source.fault(f"{does}, but the pedal has none; add `listener:`", "pedals", at)
    elif fields.get("input") == OWN and whose is not None:
        model = next((one for one in rig.listeners if one.name == whose), None)
        if model is not None and model.own_input is None:
            does = f"`{control}` of `{pedal.mapping}` moves the own input of `{whose}`"
            yield source.fault(f"{does}, but the rig gives them none", "pedals", at, "listener")


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
            says = f"`{name}` is not {field.kind.value}{nearest(name, known[field.kind])}"
            yield source.fault(says, *place, key)
