"""MIDI ports opened early: before the show is checked, and before most of the program is loaded.

A port takes nothing for a while after it was opened (`SETTLE_S` in `watch.py`). Nothing is sent meanwhile, so a show
with faults, or somebody who must not play the night, has done no harm to the desk.
"""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING

from stagectl.errors import DeviceError
from stagectl.show.sent_to import ports_sent_to

if TYPE_CHECKING:
    from pathlib import Path

    from stagectl.ports.midi import MidiSystem
    from stagectl.show.files import Files


def reach_early(setlist: Path, files: Files, api: str) -> MidiSystem | None:
    """The MIDI system with the ports that a show sends to; None where it sends nothing over MIDI, or no system answers.
    What is not there is said when it is looked for. `files`: what is read of the show, to be loaded from."""
    parts = ports_sent_to(setlist, files)
    if not parts:
        return None
    from stagectl.ports.midi import open_system

    with suppress(DeviceError):
        system = open_system(api)
        with suppress(DeviceError):
            system.open_early(parts)
        return system
    return None
