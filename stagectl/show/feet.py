"""What the feet do where, as it was written: a mapping, with what a song, its section and a layer lay over it."""

from __future__ import annotations

from collections.abc import Iterator

from stagectl.core.actions import Nothing
from stagectl.core.gestures import Gesture
from stagectl.core.plan import Stop
from stagectl.show.gestures import ActionModel, Overrides
from stagectl.show.mapping import MappingModel
from stagectl.show.setlist import SetlistModel


def laid(setlist: SetlistModel, stop: Stop, pedal: str) -> Iterator[Overrides]:
    """What a stop's song, then its section, lays over a pedal's mapping."""
    if stop.song >= 0:
        song = setlist.songs[stop.song]
        yield song.pedals.get(pedal, {})
        if stop.section >= 0:
            yield song.sections[stop.section].pedals.get(pedal, {})


def gestures_of(
    setlist: SetlistModel, mapping: MappingModel, pedal: str, control: str, stop: Stop, layer: str | None = None
) -> dict[Gesture, ActionModel]:
    """What a control's gestures do at a stop, under a layer of its mapping. Later layers go over the earlier ones,
    gesture by gesture; `nothing` takes one away."""
    over = [*laid(setlist, stop, pedal)] + ([] if layer is None else [mapping.layers[layer]])
    does = mapping.controls[control].gestures()
    for overrides in over:
        if control in overrides:
            does |= overrides[control].gestures()
    return {gesture: action for gesture, action in does.items() if action.spec.word != Nothing.word}
