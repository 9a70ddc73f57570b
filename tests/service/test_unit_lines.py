"""The unit line by line, against what each line is for.

What values mean stands in systemd's manual: systemd.unit(5), systemd.service(5), systemd.kill(5), systemd.exec(5). The
tables here are from memory. What systemd itself makes of the unit is asked in `test_unit.py` and `service_night.py`.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Final, NamedTuple

import pytest

from stagectl.cli.main import FAULTS, SYSTEM
from stagectl.service.manager import ANSWERS_S
from stagectl.service.unit import Service, run_words, text

SAID: Final = text(
    Service(
        command=("/usr/bin/env", "-m", "stagectl", *run_words("/s", venue=None, api="auto", page=None, control=False)),
        title="A night",
        unit="stagectl.service",
        environment={"TZ": "Europe/Oslo"},
        writes=("/home/her/.local/state", "/tmp", "/var/tmp"),
    )
)

RESTARTS: Final = {
    "no": set[str](),
    "always": {"clean", "unclean code", "unclean signal", "timeout", "watchdog"},
    "on-success": {"clean"},
    "on-failure": {"unclean code", "unclean signal", "timeout", "watchdog"},
    "on-abnormal": {"unclean signal", "timeout", "watchdog"},
    "on-abort": {"unclean signal"},
    "on-watchdog": {"watchdog"},
}
"""systemd.service(5), "Exit causes and the effect of the Restart= settings"."""

ENDS: Final = {
    "control-group": ("SIGTERM to all", "SIGKILL to all"),
    "mixed": ("SIGTERM to the main process", "SIGKILL to all"),
    "process": ("SIGTERM to the main process", "SIGKILL to the main process"),
    "none": ("nothing", "nothing"),
}
"""systemd.kill(5), `KillMode`: what a stop brings at once, and after its time."""

WRONG_USAGE: Final = 2
"""The exit code of click, and of Python, for words that are wrong."""


def seconds(said: str) -> float:
    """systemd.time(7): a number alone counts seconds."""
    found = re.fullmatch(r"([0-9.]+)(ms|s|min|)", said)
    assert found is not None, said
    return float(found[1]) * {"ms": 0.001, "s": 1, "": 1, "min": 60}[found[2]]


class Line(NamedTuple):
    """What a line is for, and whether a value does that."""

    is_for: str
    does: Callable[[str], bool]


def exactly(value: str, is_for: str) -> Line:
    return Line(is_for, lambda said: said == value)


def between(low: float, high: float, is_for: str) -> Line:
    return Line(is_for, lambda said: low <= seconds(said) <= high)


def words(said: str) -> set[str]:
    return set(said.split())


LINES: Final[Mapping[tuple[str, str], Line]] = {
    ("Unit", "Description"): exactly("stagectl: A night", "it is told apart from others"),
    ("Unit", "StartLimitIntervalSec"): exactly("0", "no limit: a disk may be mounted hours after the first start"),
    ("Service", "ExecStart"): exactly("/usr/bin/env -m stagectl run /s", "the program itself is the main process"),
    ("Service", "Environment"): exactly("TZ=Europe/Oslo", "what goes along from a shell"),
    ("Service", "Type"): exactly("notify", "`start` returns when a press is heard, and not before"),
    ("Service", "NotifyAccess"): exactly("main", "nothing that it starts says for it that it runs"),
    ("Service", "TimeoutStartSec"): between(90, 600, "a big show on a slow machine becomes ready"),
    # A command of ours waits so long for a stop.
    ("Service", "TimeoutStopSec"): between(10, ANSWERS_S - 5, "the journal is closed, and nothing hangs for ever"),
    ("Service", "KillMode"): Line(
        "its own processes are told to end by it, and none outlives it",
        lambda said: ENDS[said] == ("SIGTERM to the main process", "SIGKILL to all"),
    ),
    # Beats come at half of it, sd_watchdog_enabled(3), and a slow disk or a sweep may take a second.
    ("Service", "WatchdogSec"): between(4, 15, "a loop that stands still ends before the song does"),
    ("Service", "WatchdogSignal"): exactly("SIGKILL", "what stands still hears no other signal"),
    ("Service", "Restart"): Line(
        "whatever ends it plays again but a stop",
        lambda said: RESTARTS[said] == {"unclean code", "unclean signal", "timeout", "watchdog"},
    ),
    ("Service", "RestartSec"): between(1, 3, "a song goes on, and a loop of failures leaves the machine its time"),
    ("Service", "RestartPreventExitStatus"): Line(
        "wrong words stay wrong; faults may be mended, devices and disks may come, and a signal is no exit code",
        lambda said: words(said) == {str(WRONG_USAGE)} and not words(said) & {str(FAULTS), str(SYSTEM)},
    ),
    ("Service", "NoNewPrivileges"): exactly("yes", "nothing that it starts becomes another user"),
    ("Service", "ProtectSystem"): exactly("strict", "it writes nowhere but where it is let"),
    ("Service", "ProtectHome"): exactly("read-only", "shows are read from a home, and nothing else there is written"),
    ("Service", "ProtectControlGroups"): exactly("yes", "it makes no groups of processes"),
    ("Service", "LockPersonality"): exactly("yes", "it is no program of another kind of machine"),
    ("Service", "RestrictNamespaces"): exactly("yes", "it makes no namespaces"),
    ("Service", "RestrictSUIDSGID"): exactly("yes", "it makes no file that runs as somebody else"),
    ("Service", "RestrictAddressFamilies"): Line(
        "sound servers and the service manager, OSC and the page, the network's interfaces; no bare packets",
        lambda said: words(said) == {"AF_UNIX", "AF_INET", "AF_INET6", "AF_NETLINK"},
    ),
    ("Service", "SystemCallArchitectures"): exactly("native", "no second door to the kernel beside the filter"),
    ("Service", "SystemCallFilter"): exactly("@system-service", "what services do, real-time priorities too"),
    # ENOSYS would have the C library take other ways, as on an old kernel, and none at all would be a kill.
    ("Service", "SystemCallErrorNumber"): exactly("EPERM", "what is not allowed fails, and is said to be that"),
    ("Service", "ReadWritePaths"): exactly(
        "-/home/her/.local/state -/tmp -/var/tmp", "nights, and the places for want"
    ),
    ("Install", "WantedBy"): exactly("default.target", "it starts with the user's service manager"),
}


def lines(said: str) -> dict[tuple[str, str], list[str]]:
    """The values of each setting, by section and name."""
    found: dict[tuple[str, str], list[str]] = {}
    section = ""
    for line in said.splitlines():
        if line.startswith("["):
            section = line.strip("[]")
        elif line and not line.startswith("#"):
            name, _, value = line.partition("=")
            found.setdefault((section, name), []).append(value)
    return found


def test_every_line_is_for_something_and_nothing_is_missing() -> None:
    assert lines(SAID).keys() == LINES.keys()


@pytest.mark.parametrize("at", LINES, ids=" ".join)
def test_each_line_does_what_it_is_for(at: tuple[str, str]) -> None:
    (value,) = lines(SAID)[at]
    line = LINES[at]
    assert line.does(value), f"{at[1]}={value}: {line.is_for}"
