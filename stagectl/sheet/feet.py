"""What each foot does: by its mapping, under its layers, and where a song or a section lays something over it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, NamedTuple

from stagectl.sheet.words import action_words, gesture_words
from stagectl.show.feet import gestures_of, laid

if TYPE_CHECKING:
    from stagectl.core.plan import Stop
    from stagectl.show.load import Show
    from stagectl.show.rig import PedalModel


class Control(NamedTuple):
    """A control (or two that are pressed together), the layer that lies over its pedal (none: its mapping as it
    stands), and what its gestures do."""

    name: str
    layer: str | None
    does: list[str]


def controls(show: Show, pedal: PedalModel) -> Iterator[Control]:
    """Everything that a pedal does by its mapping, in the mapping's order: controls, pairs, layers."""
    mapping, base = show.mappings[pedal.mapping], None
    for name in mapping.controls:
        yield Control(name, base, gesture_words(mapping.controls[name].gestures()) or ["nothing"])
    for pair in mapping.together:
        yield Control(" and ".join(pair.controls), base, [f"press together: {action_words(pair.press)}"])
    for layer, over in mapping.layers.items():
        for name, gestures in over.items():
            yield Control(name, layer, gesture_words(gestures.gestures()))


class Other(NamedTuple):
    """A control that does something else at a stop than its mapping says."""

    pedal: str
    control: str
    does: list[str]


def others(show: Show, stop: Stop, listener: str | None = None) -> Iterator[Other]:
    """What the feet do otherwise at a stop: of all pedals, or of one listener's."""
    for pedal in show.rig.pedals:
        if listener is not None and pedal.listener != listener:
            continue
        mapping = show.mappings[pedal.mapping]
        for name in dict.fromkeys(name for over in laid(show.setlist, stop, pedal.name) for name in over):
            usual = mapping.controls[name].gestures()
            here = gestures_of(show.setlist, mapping, pedal.name, name, stop)
            does = gesture_words({gesture: action for gesture, action in here.items() if usual.get(gesture) != action})
            does += [f"{gesture.value}: nothing" for gesture in usual if gesture not in here]
            if does:
                yield Other(pedal.name, name, does)
