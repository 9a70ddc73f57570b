"""Do layers and songs fit the feet? What a layer of a mapping, a song or a section lays over a pedal's controls."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import NamedTuple

from stagectl.core.actions import Nothing, SwitchLayer
from stagectl.core.gestures import Gesture
from stagectl.errors import Fault, nearest
from stagectl.show.control_fit import switch_wrongs
from stagectl.show.gestures import ActionModel, Overrides
from stagectl.show.mapping import ControlModel, MappingModel
from stagectl.show.rig import RigModel
from stagectl.show.setlist import FeetText, SetlistModel
from stagectl.show.source import Source


def layer_faults(
    name: str, mapping: MappingModel, setlist: SetlistModel | None, rig: RigModel, source: Source
) -> Iterator[Fault]:
    """Faults of a mapping's layers: what they lay over the controls, and whether feet can get there and back."""
    for layer, overrides in mapping.layers.items():
        yield from over_faults(overrides, mapping, source, "layers", layer, under={}, layers={})
        if setlist is not None and layer not in _reached(name, mapping, setlist, rig):
            yield source.fault(f"no control switches to the layer `{layer}`", "layers", layer)
        elif not _way_out(mapping, overrides):
            yield source.fault(f"the layer `{layer}` has no control with `layer`, so no foot gets out", "layers", layer)


def over_faults(
    overrides: Overrides,
    mapping: MappingModel,
    source: Source,
    *place: str | int,
    under: Overrides,
    layers: Mapping[str, Overrides],
) -> Iterator[Fault]:
    """Faults of what is laid over some controls of a mapping, at a place in a file. `under`: what lies between it and
    the mapping; `layers`: what feet may lay over it."""
    for name, over in overrides.items():
        if name not in mapping.controls:
            says = f"`{name}` is not a control of `{mapping.name}`{nearest(name, mapping.controls)}"
            yield source.fault(says, *place, name)
            continue
        control, gestures = mapping.controls[name], over.gestures()
        odd = [gesture for gesture in gestures if (gesture is Gesture.TURN) != (control.turn is not None)]
        for gesture in odd:
            is_a = "a treadle" if control.turn is not None else "a switch"
            yield source.fault(f"`{name}` is {is_a}: it has no `{gesture.value}`", *place, name, gesture.value)
        if control.turn is None and not odd:
            below = _laid_over(name, control, under)
            said = set(switch_wrongs(name, below))
            here = _laid_over(name, below, overrides)
            for key, says in switch_wrongs(name, here):
                if (key, says) not in said:
                    said.add((key, says))
                    at = (key,) if key in {gesture.value for gesture in gestures} else ()
                    yield source.fault(says, *place, name, *at)
            for layer, more in layers.items():
                said.update(switch_wrongs(name, _laid_over(name, control, more)))
                for key, says in switch_wrongs(name, _laid_over(name, here, more)):
                    if (key, says) not in said:
                        yield source.fault(f"under the layer `{layer}`, {says}", *place, name)


def _laid_over(name: str, control: ControlModel, overrides: Overrides) -> ControlModel:
    """A control with the gestures that are laid over it; what does nothing is taken away."""
    gestures = overrides[name].gestures() if name in overrides else {}
    fields = {
        gesture.value.replace(" ", "_"): None if action.spec.word == Nothing.word else action
        for gesture, action in gestures.items()
    }
    return control.model_copy(update=fields)


class Feet(NamedTuple):
    """What a song or a section lays over pedals: the place in the file, what stands there, and what lies under it."""

    place: tuple[str | int, ...]
    over: FeetText
    under: FeetText


def song_feet(setlist: SetlistModel) -> Iterator[Feet]:
    """What songs and sections lay over pedals."""
    for at, song in enumerate(setlist.songs):
        yield Feet(("songs", at, "pedals"), song.pedals, {})
        for part, section in enumerate(song.sections):
            yield Feet(("songs", at, "sections", part, "pedals"), section.pedals, song.pedals)


def actions_over(
    overrides: Overrides, place: tuple[str | int, ...]
) -> Iterator[tuple[tuple[str | int, ...], str, ActionModel]]:
    """Every action that is laid over some controls: its place in the file, its control, and itself."""
    for name, over in overrides.items():
        for gesture, action in over.gestures().items():
            yield (*place, name, gesture.value), name, action


def _reached(name: str, mapping: MappingModel, setlist: SetlistModel, rig: RigModel) -> set[str]:
    """The layers that some control switches to, in the mapping or in a song."""
    found = {_layer_of(action) for _, _, action in mapping.actions()}
    pedals = {pedal.name for pedal in rig.pedals if pedal.mapping == name}
    for feet in song_feet(setlist):
        for pedal in pedals & feet.over.keys():
            found |= {_layer_of(action) for _, _, action in actions_over(feet.over[pedal], feet.place)}
    return found - {""}


def _layer_of(action: ActionModel) -> str:
    """The layer that an action switches to, if any."""
    return str(action.fields()["name"] or "") if action.spec.word == SwitchLayer.word else ""


def _way_out(mapping: MappingModel, overrides: Overrides) -> bool:
    """Whether a control still switches layers while this one lies there."""
    actions = [pair.press for pair in mapping.together]
    for name, control in mapping.controls.items():
        over = overrides[name].gestures() if name in overrides else {}
        actions += ({**control.gestures(), **over}).values()
    return any(action.spec.word == SwitchLayer.word for action in actions)
