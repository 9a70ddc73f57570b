"""May this machine fall asleep in the middle of a set?

Sources: Linux, Documentation/admin-guide/pm/sleep-states.rst (`/sys/power/state` lists the ways to sleep that there
are); systemd, logind.conf(5) (a lid that is closed suspends where nothing else is said, idleness does not),
systemd.special(7) (each way to sleep has a target of its own, and all of them need `sleep.target`) and systemctl(1)
(`mask` links a unit to /dev/null); from memory: where a machine cannot sleep in the way that is asked for, logind
suspends it, and it begins no unit that is masked. What a desktop's own settings do is not seen from here.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Final, NamedTuple

from stagectl.ready.finding import Finding, fine, look, unknown
from stagectl.ready.room import Machine
from stagectl.ready.sysfs import read

SLEEP: Final = "sleep"

RAM: Final = frozenset(("mem", "freeze", "standby"))
DISK: Final = frozenset(("disk",))

SUSPEND: Final = "suspend"

WAYS: Final[Mapping[str, frozenset[str]]] = {
    SUSPEND: RAM,
    "hibernate": DISK,
    "hybrid-sleep": DISK,
    "suspend-then-hibernate": DISK,
}
"""The ways to sleep that logind knows, each with the words of `/sys/power/state` of which it needs one. Each has a
target of its name."""

ANY_WAY: Final = "sleep"
"""The action that takes the first way that there is; its target is the one that all of them need."""

UNITS: Final = (Path("etc/systemd/system"), Path("run/systemd/system"))
CONFIGS: Final = (Path("usr/lib/systemd"), Path("run/systemd"), Path("etc/systemd"))
"""From the weakest to the strongest."""

LIDS: Final = Path("proc/acpi/button/lid")

STAYS: Final = ("ignore", "lock", "")
"""What a lid or idleness may bring without any harm."""


class Sleep(NamedTuple):
    """`ways`: the words for how it can sleep; None where the system does not say. `masked`: what it was told never to
    do, by the names of `WAYS` and `ANY_WAY`; `lid`: whether it has one, and `lid_does` what closing it brings, on
    battery and on mains; `idle_does`: what idleness brings."""

    ways: frozenset[str] | None
    masked: frozenset[str] = frozenset()
    lid: bool = False
    lid_does: tuple[str, ...] = (SUSPEND,)
    idle_does: str = "ignore"

    @property
    def can(self) -> frozenset[str]:
        """The ways to sleep that there are."""
        return frozenset(way for way, needs in WAYS.items() if needs & (self.ways or frozenset()))

    @property
    def may(self) -> frozenset[str]:
        """Those that it was not told never to go."""
        return frozenset() if ANY_WAY in self.masked else self.can - self.masked

    def does_harm(self, action: str) -> bool:
        """Whether an action of logind's, where it is asked for, ends or interrupts a night."""
        if action in WAYS:
            return (action if action in self.can else SUSPEND) in self.may
        return bool(self.may) if action == ANY_WAY else action not in STAYS


def sleep(machine: Machine) -> list[Finding]:
    """Whether this machine may fall asleep."""
    return [judged(settings(machine.system))]


def settings(root: Path) -> Sleep:
    """What the system says."""
    said, ways = dict(_login(root)), read(root / "sys/power/state")
    battery = said.get("HandleLidSwitch", SUSPEND)
    return Sleep(
        ways=None if ways is None else frozenset(ways.split()),
        masked=frozenset(way for way in (*WAYS, ANY_WAY) if _is_masked(root, f"{way}.target")),
        lid=any((root / LIDS).glob("*")),
        lid_does=(battery, said.get("HandleLidSwitchExternalPower", battery)),
        idle_does=said.get("IdleAction", "ignore"),
    )


def _is_masked(root: Path, unit: str) -> bool:
    for folder in UNITS:
        with suppress(OSError):
            if os.readlink(root / folder / unit) == os.devnull:
                return True
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
    do = "`systemd-inhibit --what=sleep:idle:handle-lid-switch stagectl run …` keeps it awake"
    if found.does_harm(found.idle_does):
        says = f"logind's `IdleAction` is `{found.idle_does}`: that is what it does when nobody types"
        return look(SLEEP, says, do)
    lid_does = next(filter(found.does_harm, found.lid_does), None)
    if found.lid and lid_does is not None:
        return look(SLEEP, f"closing its lid brings `{lid_does}`", f"leave the lid open, or {do}")
    if not found.can:
        return fine(SLEEP, "this machine cannot sleep")
    if not found.may:
        return fine(SLEEP, "it was told never to sleep")
    return unknown(SLEEP, "nothing sends it to sleep by itself, but for what a desktop's own settings may do")
