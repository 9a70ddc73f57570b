"""Keyboard-type pedals: is there a device of that name, and may it be read? It is not grabbed."""

from __future__ import annotations

from collections.abc import Sequence

from stagectl.errors import DeviceError, nearest
from stagectl.pedals.keyboard import Keyboard, find_keyboards
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
    return judged(wanted, found)


def judged(wanted: Sequence[tuple[str, str]], found: Sequence[Keyboard] | str) -> list[Finding]:
    """What is to be said of some pedals and what each looks for; each has a device of its own. `found`: the devices
    that may be read, or why there are none."""
    if isinstance(found, str):
        return [wrong(name, found, "plug it in, and see that you may read it") for name, _ in wanted]
    whose: dict[Keyboard, str] = {}
    return [_judged(name, part, found, whose) for name, part in wanted]


def _judged(name: str, part: str, found: Sequence[Keyboard], whose: dict[Keyboard, str]) -> Finding:
    """`whose`: the devices that pedals before it have; its own comes to them."""
    fit = find_keyboards(part, found)
    device = next((one for one in fit if one not in whose), None)
    if device is None:
        says = f"no device with keys has `{part}` in its name{nearest(part, (one.name for one in found))}"
        if fit:
            says = f"`{fit[0].name}` is for `{whose[fit[0]]}`, and no other device with keys has `{part}` in its name"
        return wrong(name, says, "plug it in or pair it, and press a key to wake it; or mend its `keyboard` in the rig")
    whose[device] = name
    return fine(name, f"`{device.name}` at {device.path} may be read")
