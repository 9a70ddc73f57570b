"""Mains or battery, and how full.

Source: Linux, Documentation/ABI/testing/sysfs-class-power. Each supply is a folder: `type` (Battery, Mains, USB, UPS,
Wireless), `scope` (System, or Device for what has a battery of its own, such as a mouse), `status` (Charging,
Discharging, Not charging, Full, Unknown), `capacity` in percent; else `energy_now` over `energy_full` (µWh) or
`charge_now` over `charge_full` (µAh); `power_now` in µW, `current_now` in µA; `online` of mains 0 or 1, above 0 of USB.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Final, NamedTuple

from stagectl.ready.finding import Finding, fine, look, unknown, wrong
from stagectl.ready.room import Machine
from stagectl.ready.sysfs import number, read
from stagectl.show.clock_values import HOUR_NS, MINUTE_NS, span_text

BATTERY: Final = "battery"

SUPPLIES: Final = Path("sys/class/power_supply")

LOW, EMPTY = 50, 10
"""Percent: less than the first is said; less than the second, on battery, does not last until the set begins."""

CELLS: Final = ("Battery", "UPS")


class Supply(NamedTuple):
    """A supply of this machine. `percent`: how full; `left_h`: how long it lasts at its present rate, h; `online`:
    whether there is mains. What is not known is None."""

    name: str
    kind: str
    status: str = "Unknown"
    percent: float | None = None
    left_h: float | None = None
    online: bool | None = None


def battery(machine: Machine) -> list[Finding]:
    """The supplies of this machine."""
    return judged(supplies(machine.system / SUPPLIES))


def supplies(folder: Path) -> list[Supply] | None:
    """What the system says; None where it has no such folder. Batteries of other things (mice, pedals) are left out."""
    try:
        paths = sorted(folder.iterdir())
    except OSError:
        return None
    return [_supply(path) for path in paths if read(path / "type") is not None and read(path / "scope") != "Device"]


def _supply(path: Path) -> Supply:
    online = number(path / "online")
    # `present` is 0 for a bay without a battery in it.
    kind = (read(path / "type") or "") if number(path / "present") != 0 else ""
    return Supply(
        name=path.name,
        kind=kind,
        status=read(path / "status") or "Unknown",
        percent=_percent(path),
        left_h=_left_h(path),
        online=None if online is None else online > 0,
    )


def _percent(path: Path) -> float | None:
    said = number(path / "capacity")
    if said is not None:
        return float(said)
    for what in ("energy", "charge"):
        now, full = number(path / f"{what}_now"), number(path / f"{what}_full")
        if now is not None and full:
            return 100 * now / full
    return None


def _left_h(path: Path) -> float | None:
    for amount, rate in (("energy_now", "power_now"), ("charge_now", "current_now")):
        now, goes = number(path / amount), number(path / rate)
        # Some drivers say a rate below 0 while it is discharged.
        if now is not None and goes:
            return now / abs(goes)
    return None


def judged(found: Sequence[Supply] | None) -> list[Finding]:
    """What is to be said of them."""
    if found is None:
        return [unknown(BATTERY, "not known here")]
    cells = [one for one in found if one.kind in CELLS]
    if not cells:
        return [fine(BATTERY, "this machine has none")]
    return list(_cells(cells, mains=any(one.online for one in found)))


def _cells(cells: Sequence[Supply], *, mains: bool) -> Iterator[Finding]:
    for one in cells:
        full = "how full is not known" if one.percent is None else f"{one.percent:.0f} %"
        low = one.percent is not None and one.percent < LOW
        if one.status == "Discharging":
            left = "" if one.left_h is None else f", about {_hours(one.left_h)} at this rate"
            says, do = f"{one.name} {full}, discharging{left}", "plug in the mains, and see that it is switched on"
            empty = one.percent is not None and one.percent < EMPTY
            yield wrong(BATTERY, says, do) if empty else look(BATTERY, says, do)
        elif low:
            do = "let it be charged before doors" if mains else "plug in the mains"
            yield look(BATTERY, f"{one.name} {full}, {one.status.lower()}", do)
        else:
            yield fine(BATTERY, f"{one.name} {full}, {one.status.lower()}{', on mains' if mains else ''}")


def _hours(hours: float) -> str:
    return span_text(round(hours * HOUR_NS / MINUTE_NS) * MINUTE_NS)
