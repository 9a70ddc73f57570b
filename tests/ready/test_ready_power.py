"""Battery, processor and sleep, in trees of files as Linux has them.

The judge from outside is the kernel's own description: Documentation/ABI/testing/sysfs-class-power for supplies
(the valid values of `type`, `status`, `capacity`, `present`, `online`; a `current_now` below 0 while it is discharged),
Documentation/admin-guide/pm/cpufreq.rst for governors; logind.conf(5) for lids and idleness. `scope` and `energy_…` are
from memory (Documentation/power/power_supply_class.rst).
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import pytest

from stagectl.ready import battery, governor, sleep
from stagectl.ready.finding import Finding

STATUSES = ("Unknown", "Charging", "Discharging", "Not charging", "Full")
"""Every valid value of `status`."""


def tree(root: Path, files: Mapping[str, str]) -> Path:
    """Files below a root, each with the end of line that the kernel writes."""
    for name, says in files.items():
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(f"{says}\n")
    return root


def cell(root: Path, **more: object) -> list[Finding]:
    """What is said of one battery beside mains that are unplugged."""
    said = {"type": "Battery", "present": 1, "status": "Discharging", **more}
    files = {f"BAT0/{name}": str(value) for name, value in said.items()}
    return battery.judged(battery.supplies(tree(root, {"AC/type": "Mains", "AC/online": "0", **files})))


@pytest.mark.parametrize("status", STATUSES)
@pytest.mark.parametrize("percent", [0, 9, 10, 49, 50, 100])
def test_less_than_half_and_discharging_are_said(tmp_path: Path, status: str, percent: int) -> None:
    (found,) = cell(tmp_path, status=status, capacity=percent)
    empties = status == "Discharging"
    assert found.word == ("wrong" if empties and percent < 10 else "look" if empties or percent < 50 else "fine")
    assert f"BAT0 {percent} %" in found.says and status.lower() in found.says
    assert bool(found.do) is (found.word != "fine")


def test_how_full_and_how_long_follow_from_energy_or_charge(tmp_path: Path) -> None:
    """30 Wh of 50 at 12 W: 60 % and 2.5 h; 3 Ah of 4 at -1.5 A: 75 % and 2 h."""
    (by_energy,) = cell(tmp_path / "one", energy_now=30_000_000, energy_full=50_000_000, power_now=12_000_000)
    assert by_energy.says == "BAT0 60 %, discharging, about 2 h 30 min at this rate"
    (by_charge,) = cell(tmp_path / "two", charge_now=3_000_000, charge_full=4_000_000, current_now=-1_500_000)
    assert by_charge.says == "BAT0 75 %, discharging, about 2 h at this rate"
    (neither,) = cell(tmp_path / "three", power_now=0, capacity="full of it")
    assert neither.says == "BAT0 how full is not known, discharging"


def test_what_is_no_battery_of_this_machine_is_left_out(tmp_path: Path) -> None:
    mouse = {"mouse/type": "Battery", "mouse/scope": "Device", "mouse/capacity": "3", "mouse/status": "Discharging"}
    bay = {"BAT1/type": "Battery", "BAT1/present": "0", "BAT1/status": "Unknown"}
    found = battery.judged(battery.supplies(tree(tmp_path, mouse | bay | {"AC/type": "Mains", "AC/online": "1"})))
    assert [(one.word, one.says) for one in found] == [("fine", "this machine has none")]
    (nowhere,) = battery.judged(battery.supplies(tmp_path / "no such folder"))
    assert (nowhere.word, nowhere.says) == ("unknown", "not known here")


def processors(root: Path, *said: tuple[str, str]) -> Finding:
    """What is said of processors with these governors and drivers."""
    files = {}
    for number, (name, driver) in enumerate(said):
        files[f"cpu{number}/cpufreq/scaling_governor"] = name
        files[f"cpu{number}/cpufreq/scaling_driver"] = driver
    return governor.judged(governor.governors(tree(root, files)))


def test_powersave_is_said_unless_its_driver_chooses_by_itself(tmp_path: Path) -> None:
    slow = processors(tmp_path / "slow", ("powersave", "acpi-cpufreq"), ("schedutil", "acpi-cpufreq"))
    assert slow.word == "look" and "keeps 1 of 2" in slow.says
    for driver in ("intel_pstate", "amd-pstate-epp"):
        assert processors(tmp_path / driver, ("powersave", driver)).word == "fine"
    passive = processors(tmp_path / "passive", ("powersave", "intel_cpufreq"))
    assert passive.word == "look"
    assert processors(tmp_path / "fast", ("performance", "acpi-cpufreq")).says == "speed by `performance`"
    assert processors(tmp_path / "none").word == "unknown"


LAPTOP = {"sys/power/state": "freeze mem disk", "proc/acpi/button/lid/LID/state": "state: open"}


@pytest.mark.parametrize(
    ("files", "word", "says"),
    [
        ({}, "unknown", "not known here"),
        ({"sys/power/state": ""}, "fine", "cannot sleep"),
        ({"sys/power/state": "freeze mem"}, "unknown", "nothing sends it to sleep by itself"),
        (LAPTOP, "look", "closing its lid brings `suspend`"),
        (LAPTOP | {"etc/systemd/logind.conf": "[Login]\n#HandleLidSwitch=suspend"}, "look", "`suspend`"),
        (LAPTOP | {"etc/systemd/logind.conf": "[Login]\nHandleLidSwitch=ignore"}, "unknown", "nothing sends"),
        (
            LAPTOP | {"etc/systemd/logind.conf": "HandleLidSwitch=ignore\nHandleLidSwitchExternalPower=hibernate"},
            "look",
            "`hibernate`",
        ),
        (
            # Of pieces with one name, that in /etc counts, and any piece is stronger than the main file.
            LAPTOP
            | {
                "etc/systemd/logind.conf": "HandleLidSwitch=hibernate",
                "usr/lib/systemd/logind.conf.d/10.conf": "HandleLidSwitch=suspend",
                "etc/systemd/logind.conf.d/10.conf": "HandleLidSwitch=lock",
            },
            "unknown",
            "nothing sends",
        ),
        ({"sys/power/state": "mem", "etc/systemd/logind.conf": "IdleAction = suspend"}, "look", "when nobody types"),
    ],
)
def test_what_may_send_it_to_sleep(tmp_path: Path, files: Mapping[str, str], word: str, says: str) -> None:
    found = sleep.judged(sleep.settings(tree(tmp_path, files)))
    assert found.word == word and says in found.says


LID = "etc/systemd/logind.conf"
STATES = {"ram": "freeze mem", "disk": "disk", "both": "freeze mem disk", "none": ""}


@pytest.mark.parametrize(
    ("state", "masked", "brings", "word", "says"),
    [
        ("both", "sleep", "hibernate", "fine", "told never to sleep"),
        ("both", "suspend", "hibernate", "look", "closing its lid brings `hibernate`"),
        ("both", "suspend", "suspend", "unknown", "nothing sends it to sleep by itself"),
        ("both", "hibernate", "hibernate", "unknown", "nothing sends it to sleep by itself"),
        ("both", "suspend", "sleep", "look", "closing its lid brings `sleep`"),
        ("both", "", "hybrid-sleep", "look", "closing its lid brings `hybrid-sleep`"),
        ("both", "suspend hibernate hybrid-sleep suspend-then-hibernate", "sleep", "fine", "told never to sleep"),
        ("both", "sleep", "poweroff", "look", "closing its lid brings `poweroff`"),
        ("disk", "", "hibernate", "look", "closing its lid brings `hibernate`"),
        ("disk", "", "suspend", "unknown", "nothing sends it to sleep by itself"),
        ("disk", "hibernate hybrid-sleep suspend-then-hibernate", "hibernate", "fine", "told never to sleep"),
        ("ram", "", "hibernate", "look", "closing its lid brings `hibernate`"),
        ("ram", "suspend", "hibernate", "fine", "told never to sleep"),
        ("none", "", "hibernate", "fine", "this machine cannot sleep"),
        ("none", "", "poweroff", "look", "closing its lid brings `poweroff`"),
    ],
)
def test_each_way_to_sleep_is_looked_at_by_itself(
    tmp_path: Path, state: str, masked: str, brings: str, word: str, says: str
) -> None:
    """`systemctl mask` makes a unit a link to /dev/null. What a lid or idleness brings is passed over only where that
    way is not there, or was masked."""
    units = tree(tmp_path, LAPTOP | {"sys/power/state": STATES[state]}) / "run/systemd/system"
    units.mkdir(parents=True)
    for name in masked.split():
        (units / f"{name}.target").symlink_to("/dev/null")
    (tmp_path / LID).parent.mkdir(parents=True)
    (tmp_path / LID).write_text(f"[Login]\nHandleLidSwitch={brings}\n")
    found = sleep.judged(sleep.settings(tmp_path))
    assert found.word == word and says in found.says
    (tmp_path / LID).write_text(f"[Login]\nHandleLidSwitch=ignore\nIdleAction={brings}\n")
    idle = sleep.judged(sleep.settings(tmp_path))
    assert idle.word == word and (f"`IdleAction` is `{brings}`" if word == "look" else says) in idle.says
    (tmp_path / LID).write_text(f"[Login]\nHandleLidSwitch=ignore\nHandleLidSwitchExternalPower={brings}\n")
    assert sleep.judged(sleep.settings(tmp_path)) == found


def test_a_machine_that_was_told_never_to_sleep(tmp_path: Path) -> None:
    """`systemctl mask` makes a unit a link to /dev/null."""
    units = tree(tmp_path, LAPTOP) / "etc/systemd/system"
    units.mkdir(parents=True)
    (units / "sleep.target").symlink_to("/dev/null")
    assert sleep.judged(sleep.settings(tmp_path)).word == "fine"
