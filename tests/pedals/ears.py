"""Ears for the tests: a pedal whose controls are called by what they send."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from stagectl.core.events import Event, Moved
from stagectl.pedals.hear import MidiEar
from stagectl.show.mapping import MappingModel


def mapping(*sends: Any) -> MappingModel:
    """A mapping with a control for each of these messages, in this order."""
    controls = {f"control {at}": {"sends": one} for at, one in enumerate(sends)}
    return MappingModel.model_validate({"name": "a pedal", "controls": controls})


def midi_ear(*sends: Any) -> MidiEar:
    """An ear for a pedal with these controls."""
    return MidiEar(0, mapping(*sends))


def heard(ear: MidiEar, text: str) -> list[tuple[int, int]]:
    """Control and value of everything that moved, from bytes in hexadecimal."""
    return moves(ear.hear(bytes.fromhex(text)))


def moves(events: Iterable[Event]) -> list[tuple[int, int]]:
    """Control and value of everything that moved."""
    return [(event.control, event.value) for event in events if isinstance(event, Moved)]
