"""MIDI ports opened early: as soon as the rig is known, while the rest of the program is still to be loaded.

A port takes nothing for a while after it was opened (`SETTLE_S` in `watch.py`). Nothing is sent meanwhile, so whoever
is not allowed to play the night has done no harm to the desk.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from typing import TYPE_CHECKING

from stagectl.errors import DeviceError
from stagectl.ports.midi import MidiSystem, open_system

if TYPE_CHECKING:
    from stagectl.show.load import Show
    from stagectl.show.rig import LinkedModel


def reach_early(show: Show, api: str) -> MidiSystem | None:
    """The MIDI system with the ports that a show sends to; None where it sends nothing over MIDI, or no system answers.
    What is not there is said when it is looked for."""
    parts = [end.port for end in _ends(show) if end is not None and end.port is not None]
    if not parts:
        return None
    with suppress(DeviceError):
        system = open_system(api)
        with suppress(DeviceError):
            system.open_early(parts)
        return system
    return None


def _ends(show: Show) -> Iterator[LinkedModel | None]:
    """Everything that a show sends to."""
    rig = show.rig
    yield rig.desk
    yield from rig.devices
    yield from (player.end for player in rig.players)
    yield from (pedal.lamps_end for pedal in rig.pedals if show.mappings[pedal.mapping].lamps)
