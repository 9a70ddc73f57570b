"""Keyboard-type pedals: is there a device of that name, and may it be read? It is not grabbed."""

from __future__ import annotations

from collections.abc import Sequence

from stagectl.errors import DeviceError, nearest
from stagectl.pedals.keyboard import Keyboard, find_keyboard
from stagectl.ready.finding import Finding, fine, wrong
from stagectl.ready.room import Room


def keyboards(room: Room) -> list[Finding]:
    """Every pedal of keyboard type of the rig."""
    from stagectl.pedals import keyboard

    wanted = [(pedal.name, pedal.keyboard) for pedal in room.show.rig.pedals if pedal.keyboard is not None]
    if not wanted:
        return []
    try:
        found: Sequence[Keyboard] | str = keyboard.keyboards(room.system / keyboard.INPUTS.relative_to("/"))
    except DeviceError as error:
        found = str(error)
    return [judged(name, part, found) for name, part in wanted]


def judged(name: str, part: str, found: Sequence[Keyboard] | str) -> Finding:
    """What is to be said of a pedal. `found`: the devices that may be read, or why there are none."""
    if isinstance(found, str):
        return wrong(name, found, "plug it in, and see that you may read it")
    device = find_keyboard(part, found)
    if device is None:
        says = f"no device with keys has `{part}` in its name{nearest(part, (one.name for one in found))}"
        return wrong(name, says, "plug it in or pair it, and press a key to wake it; or mend its `keyboard` in the rig")
    return fine(name, f"`{device.name}` at {device.path} may be read")
