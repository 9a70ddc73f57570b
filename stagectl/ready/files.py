"""The show's files: does `check` pass, and how much does it warn of?"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from stagectl.errors import Fault
from stagectl.ready.finding import Finding, fine, look, wrong
from stagectl.ready.proving import Proven, proven
from stagectl.ready.room import Machine

SHOW: Final = "show"

WITHIN_S: Final = 3.8
"""How long the proof may take, s. A show of hundreds of songs takes longer; `check` takes the time that it needs."""


def files(machine: Machine) -> list[Finding]:
    """Whether `check` passes."""
    return [judged(proven(machine.setlist, machine.venue, WITHIN_S), WITHIN_S)]


def judged(found: Proven | None, within_s: float) -> Finding:
    """What is to be said of what `check` has found."""
    if found is None:
        return look(SHOW, f"it is read, but not proved within {within_s:g} s", "let `stagectl check` take its time")
    if found.faults:
        return faulty(found.faults)
    warnings = f"{found.warnings} warning" + ("" if found.warnings == 1 else "s")
    says = f"check passes, {warnings}" if found.warnings else "check passes, no warning"
    return fine(SHOW, f"{says}; {found.proved}")


def faulty(faults: Sequence[Fault]) -> Finding:
    """A show with faults cannot be played: the first of them, and how many more there are."""
    more = f"; and {len(faults) - 1} more" if len(faults) > 1 else ""
    return wrong(SHOW, f"{faults[0]}{more}", "mend it: `stagectl check` names every fault", written=True)
