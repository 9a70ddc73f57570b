"""May this machine fall asleep in the middle of a set?

Sources: Linux, Documentation/admin-guide/pm/sleep-states.rst (`/sys/power/state` lists the ways to sleep that there
are); systemd, logind.conf(5) (a lid that is closed suspends where nothing else is said, idleness does not) and
systemctl(1) (`mask` links a unit to /dev/null). What a desktop's own settings do is not seen from here.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Final, NamedTuple

from stagectl.ready.finding import Finding, fine, look, unknown
from stagectl.ready.room import Machine
from stagectl.ready.sysfs import read

SLEEP: Final = "sleep"

TARGETS: Final = ("sleep.target", "suspend.target")
UNITS: Final = (Path("etc/systemd/system"), Path("run/systemd/system"))
CONFIGS: Final = (Path("usr/lib/systemd"), Path("run/systemd"), Path("etc/systemd"))
"""From the weakest to the strongest."""

LIDS: Final = Path("proc/acpi/button/lid")

STAYS: Final = ("ignore", "lock", "")
"""What a lid or idleness may bring without any harm."""


class Sleep(NamedTuple):
    """`ways`: how it can sleep; None where the system does not say. `masked`: it was told never to; `lid`: whether it
    has one, and `lid_does` what closing it brings; `idle_does`: what idleness brings."""

    ways: str | None
    masked: bool = False
    lid: bool = False
    lid_does: str = "suspend"
    idle_does: str = "ignore"


def sleep(machine: Machine) -> list[Finding]:
    """Whether this machine may fall asleep."""
    return [judged(settings(machine.system))]


def settings(root: Path) -> Sleep:
    """What the system says."""
    said = dict(_login(root))
    return Sleep(
        ways=read(root / "sys/power/state"),
        masked=any(_is_masked(root / folder / target) for folder in UNITS for target in TARGETS),
        lid=any((root / LIDS).glob("*")),
        lid_does=_lid_does(said),
        idle_does=said.get("IdleAction", "ignore"),
    )


def _lid_does(said: Mapping[str, str]) -> str:
    """What closing the lid brings, on battery or on mains: where the two differ, what does harm."""
    battery = said.get("HandleLidSwitch", "suspend")
    mains = said.get("HandleLidSwitchExternalPower", battery)
    return mains if battery in STAYS else battery


def _is_masked(path: Path) -> bool:
    try:
        return os.readlink(path) == os.devnull
    except OSError:
        return False


def _login(root: Path) -> Iterator[tuple[str, str]]:
    """The settings of logind, the strongest last: of main files the strongest alone, then the pieces by their names, of
    several of one name the strongest."""
    pieces = {path.name: path for folder in CONFIGS for path in (root / folder / "logind.conf.d").glob("*.conf")}
    mains = [path for folder in CONFIGS if (path := root / folder / "logind.conf").is_file()]
    for path in [*mains[-1:], *(pieces[name] for name in sorted(pieces))]:
        for line in (read(path) or "").splitlines():
            key, equals, value = line.partition("=")
            if equals and not key.lstrip().startswith(("#", ";")):
                yield key.strip(), value.strip()


def judged(found: Sleep) -> Finding:
    """What is to be said of that."""
    if found.ways is None:
        return unknown(SLEEP, "whether it may fall asleep is not known here")
    if found.ways in ("", "disk"):
        return fine(SLEEP, "this machine cannot be suspended")
    if found.masked:
        return fine(SLEEP, "it was told never to be suspended")
    do = "`systemd-inhibit --what=sleep:idle:handle-lid-switch stagectl run …` keeps it awake"
    if found.idle_does not in STAYS:
        return look(SLEEP, f"logind's `IdleAction` is `{found.idle_does}`: it falls asleep when nobody types", do)
    if found.lid and found.lid_does not in STAYS:
        return look(SLEEP, f"closing its lid brings `{found.lid_does}`", f"leave the lid open, or {do}")
    return unknown(SLEEP, "nothing sends it to sleep by itself, but for what a desktop's own settings may do")
