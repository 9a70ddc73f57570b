"""How the processor's speed is chosen.

Source: Linux, Documentation/admin-guide/pm/cpufreq.rst: `powersave` keeps a processor at its lowest speed. With the
drivers `intel_pstate` and `amd-pstate-epp`, which choose the speed themselves, a governor of the same name does not
(intel_pstate.rst, amd-pstate.rst).
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Final

from stagectl.ready.finding import Finding, fine, look, unknown
from stagectl.ready.room import Machine
from stagectl.ready.sysfs import read

GOVERNOR: Final = "processor"

PROCESSORS: Final = Path("sys/devices/system/cpu")

CHOOSE_THEMSELVES: Final = ("intel_pstate", "amd-pstate-epp")


def governor(machine: Machine) -> list[Finding]:
    """The governors of this machine's processors."""
    return [judged(governors(machine.system / PROCESSORS))]


def governors(folder: Path) -> dict[str, str]:
    """Governor and driver of each processor, as `governor driver`, by its name. Nothing where the system does not
    choose a speed."""
    found = {}
    for path in sorted(folder.glob("cpu[0-9]*/cpufreq")):
        said = read(path / "scaling_governor")
        if said:
            found[path.parent.name] = f"{said} {read(path / 'scaling_driver') or ''}".strip()
    return found


def judged(found: Mapping[str, str]) -> Finding:
    """What is to be said of them."""
    if not found:
        return unknown(GOVERNOR, "how its speed is chosen is not known here")
    slow = [name for name, said in found.items() if _is_slow(said)]
    if slow:
        says = f"`powersave` keeps {len(slow)} of {len(found)} at their lowest speed"
        return look(
            GOVERNOR, says, "`sudo cpupower frequency-set -g performance`, or `schedutil`, until it is started anew"
        )
    names = ", ".join(dict.fromkeys(said.partition(" ")[0] for said in found.values()))
    return fine(GOVERNOR, f"speed by `{names}`")


def _is_slow(said: str) -> bool:
    name, _, driver = said.partition(" ")
    return name == "powersave" and driver not in CHOOSE_THEMSELVES
