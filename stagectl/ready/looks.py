"""Every look, and how they go on at the same time.

Each has a thread of its own, which nobody has to wait for: a mount, a driver or a device that hangs holds up its own
look alone. What has not come back in its time is said to be so.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from typing import Final, NamedTuple, TypeAlias

from stagectl.errors import FileFaults, StagectlError
from stagectl.ready.aside import Aside
from stagectl.ready.backups import backups
from stagectl.ready.battery import battery
from stagectl.ready.clock import clock
from stagectl.ready.desk import desk
from stagectl.ready.files import SHOW, faulty, files
from stagectl.ready.finding import Finding, look, wrong
from stagectl.ready.governor import governor
from stagectl.ready.hosts import hosts
from stagectl.ready.keyboards import keyboards
from stagectl.ready.nights import journal, last_night, space
from stagectl.ready.others import others
from stagectl.ready.page import page
from stagectl.ready.ports import ports
from stagectl.ready.rights import rights
from stagectl.ready.room import Machine, Room
from stagectl.ready.sleep import sleep
from stagectl.ready.sound import sound, stems

ENDS_S: Final = 4.0
"""When the last look is over, s since the first began."""

READ_S: Final = 2.0
"""How long reading the show may take, s."""

Found: TypeAlias = "list[Finding]"


class Look(NamedTuple):
    """A look. `what`: what its line is called where it does not come back; `within_s`: by when it has to, s."""

    what: str
    within_s: float
    does: Callable[[Room], Found]


class MachineLook(NamedTuple):
    """A look that needs no show."""

    what: str
    within_s: float
    does: Callable[[Machine], Found]


LOOKS: Final[tuple[Look | MachineLook, ...]] = (
    MachineLook(SHOW, ENDS_S, files),
    Look("backup", 3.0, backups),
    Look("MIDI ports", 3.0, ports),
    Look("pedals and players over OSC", 3.0, hosts),
    Look("keyboard-type pedals", 2.0, keyboards),
    Look("desk", ENDS_S, desk),
    Look("sound device", ENDS_S, sound),
    Look("stems", 3.0, stems),
    MachineLook("page", 3.0, page),
    MachineLook("journal", 3.0, journal),
    Look("disk space", 3.0, space),
    Look("last night", 3.0, last_night),
    Look("other nights", 3.0, others),
    Look("clock", 2.0, clock),
    MachineLook("battery", 2.0, battery),
    MachineLook("processor", 2.0, governor),
    MachineLook("priority", 2.0, rights),
    MachineLook("sleep", 2.0, sleep),
)
"""All of them, in the order of their lines."""


def look_around(
    machine: Machine,
    load: Callable[[], Room],
    looks: Sequence[Look | MachineLook] = LOOKS,
    ends_s: float = ENDS_S,
    read_s: float = READ_S,
) -> Found:
    """Look at everything. `load` reads the show; where that has faults, only the machine is looked at. Raises what it
    raises beside FileFaults."""
    begun = time.monotonic()
    reading = Aside(load, "reading the show")
    running = {one.what: Aside(_bound(one, machine), one.what) for one in looks if isinstance(one, MachineLook)}
    unread = None
    try:
        room = reading.result(begun + read_s)
    except FileFaults as error:
        unread = faulty(error.faults)
    except TimeoutError:
        says = f"it cannot be read within {read_s:g} s: nothing of it is looked at"
        unread = wrong(SHOW, says, "see that its disk or network folder answers; `stagectl check` takes its time")
    else:
        running |= {one.what: Aside(_bound(one, room), one.what) for one in looks if isinstance(one, Look)}
    found = [] if unread is None else [unread]
    for one in looks:
        if one.what in running and not (unread is not None and one.what == SHOW):
            found += _found(one, running[one.what], begun + ends_s)
    return found


def _bound(one: Look | MachineLook, room: Machine) -> Callable[[], Found]:
    if isinstance(one, MachineLook):
        return lambda: one.does(room)
    assert isinstance(room, Room)
    return lambda: one.does(room)


def _found(one: Look | MachineLook, running: Aside[Found], ends: float) -> Found:
    """What a look has found, or what kept it from that."""
    until = min(running.begun + one.within_s, ends)
    try:
        return running.result(until)
    except TimeoutError:
        says = f"it has not been looked at within {until - running.begun:.2g} s: something hangs"
        return [wrong(one.what, says, "unplug it and plug it in again, or see whether its disk or driver answers")]
    except StagectlError as error:
        return [wrong(one.what, str(error).rstrip("."), "mend that, and look again")]
    except Exception as error:  # noqa: BLE001 - what one look stumbles over keeps no other from being told
        return [look(one.what, f"it could not be looked at: {type(error).__name__}: {error}", "look at it yourself")]
