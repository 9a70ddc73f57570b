"""A night under a real service manager: systemd's own for users, started by hand in a corner of this machine.

    python tests/service_night.py [--sandbox] [--jack] [--watchdog 2]

It needs root, for namespaces of its own, and plays as a user without any rights, whose home is new and empty. The unit
is written and removed by `stagectl service`. The show comes when the service has failed for the lack of it, as from a
disk that is mounted late. Then the program is killed, and stopped (SIGSTOP), as it plays, and it is asked

- whether it came again by itself, after what time, and for which reason by the service manager's word;
- whether it is at the same song, and no level of the desk has moved because of it;
- whether a foot is heard again, and whether the journal has the whole night, up to its end, in the user's own folder.

`--sandbox` has the service manager make a user namespace, without which systemd 252 passes over what hides files; newer
ones make it by themselves. `--jack` plays the MIDI show over a JACK server in there. It prints what it saw, and ends
with 1 where something is not as it should be.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import socket
import sys
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from itertools import pairwise
from pathlib import Path
from typing import Final
from urllib.request import urlopen

TESTS: Final = Path(__file__).resolve().parent
ROOT: Final = TESTS.parent
sys.path[:0] = [str(TESTS), str(TESTS / "live")]

from free_ports import free_port  # noqa: E402
from lines import Program  # noqa: E402
from nights import quick_copy  # noqa: E402
from service_manager import COMPILED, HOMES, INSIDE, Manager, a_corner, in_a_corner, until  # noqa: E402

from stagectl.service.unit import Service, text  # noqa: E402
from stagectl.wire.osc import build  # noqa: E402

FOLDER: Final = """a rig, "100 %h" & $HOME's \\ é"""
"""The show's folder: everything in it that a unit has to be careful with."""

FAILS_AT_LEAST: Final = 2

OUT: Final = "out.txt"
"""What a service says, in the user's home."""

ENDED: Final = "ended: "

PYTHON: Final = ("PYTHONPATH", COMPILED)
"""What a service gets to know of the environment: where the program lies, and where it lies compiled."""

SETTLES_S: Final = 1.0
"""Longer than any fade or rise of the show, s."""

Place = tuple[int, int | None]
Levels = dict[Place, object]
"""The desk's levels by mix and input, which is None for the whole mix."""

STAGECTL: Final = (sys.executable, "-m", "stagectl")


class Checks:
    """What is asked, and what is wrong."""

    def __init__(self) -> None:
        self.wrong: list[str] = []

    def check(self, what: str, holds: bool) -> None:
        """Say whether something is as it should be."""
        print(f"{'yes' if holds else 'NO '}  {what}", flush=True)
        if not holds:
            self.wrong.append(what)


class Night(Checks):
    """The show over OSC, its desk, its foot, and the service that plays it."""

    unit = "stagectl.service"

    def __init__(self, manager: Manager, folder: Path) -> None:
        super().__init__()
        self.manager = manager
        desk, self.foot = free_port(), free_port()
        made = quick_copy("three-songs", folder, **{"9000": str(desk), "9010": str(self.foot)})
        self.show = made.rename(folder / FOLDER)
        size = ("--inputs", "4", "--mixes", "3")
        self.desk = Program([*STAGECTL, "desk", "osc-decibels", *size, "--osc", f"127.0.0.1:{desk}", "--json"])
        self.desk.line()
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)

    def press(self, button: str) -> None:
        for value in (1, 0):
            self._socket.sendto(build(f"/foot/{button}", (value,)), ("127.0.0.1", self.foot))

    def levels(self) -> tuple[Levels, list[tuple[Place, object]]]:
        """Every level of the desk now, and what it was told since it was last asked."""
        self.desk.say("levels")
        told: list[tuple[Place, object]] = []
        while True:
            line = json.loads(self.desk.line())
            if "levels" in line:
                return {(one["mix"], one["input"]): one["level_db"] for one in line["levels"]}, told
            if "level_db" in line:
                told.append(((line["mix"], line.get("input")), line["level_db"]))

    def is_(self, name: str) -> str:
        return self.manager.of(self.unit, name)

    def settled(self) -> Levels:
        """The desk's levels when they move no more."""
        while self.levels()[1]:
            time.sleep(SETTLES_S)
        return self.levels()[0]

    def told(self) -> list[dict[str, object]]:
        run = self.manager.run(*STAGECTL, "log", "--json")
        return [json.loads(line) for line in run.stdout.splitlines()]

    def fails(self, what: str, fail: Callable[[int], None], result: str) -> None:
        """The program fails as it plays, and is expected to come again."""
        at, starts, pid = self.is_("StatusText"), int(self.is_("NRestarts")), int(self.is_("MainPID"))
        before = self.settled()
        fail(pid)
        gone_s = until(f"{what}: gone", lambda: int(self.is_("NRestarts")) > starts)
        back_s = until(f"{what}: here again", lambda: self.is_("ActiveState") == "active")
        print(f"     {what}: noticed after {gone_s:.2f} s, ready {back_s:.2f} s later")
        self.check(f"{what}: another process plays", int(self.is_("MainPID")) not in (0, pid))
        self.check(f"{what}: the night is where it was, at `{at}`", self.is_("StatusText") == at)
        time.sleep(SETTLES_S)
        after, told = self.levels()
        print(f"     {what}: the desk was told {len(told)} levels since")
        self.check(f"{what}: no level has moved", after == before and all(before[at] == to for at, to in told))
        self.check(f"{what}: the service manager calls it `{result}`", self.ended()[-1:] == [result])

    def comes_late(self) -> None:
        """The show is not there when the service starts, and comes."""
        away = self.show.rename(self.show.with_name("away"))
        self.manager.asked("start", "--no-block", self.unit)
        waited = until("it has failed again", lambda: int(self.is_("NRestarts")) >= FAILS_AT_LEAST)
        print(f"     without its show it was started again {FAILS_AT_LEAST} times in {waited:.2f} s")
        # systemd.unit(5), `StartLimitIntervalSec`: 0 is no limit.
        self.check("there is no end to that, by the service manager's word", self.is_("StartLimitIntervalUSec") == "0")
        self.check("it failed with an exit code", set(self.ended()) == {"exit-code"})
        away.rename(self.show)
        waited = until("it plays", lambda: self.is_("ActiveState") == "active")
        self.check(f"its show is there, and it plays {waited:.2f} s later", True)
        self.manager.asked("stop", self.unit)
        self.manager.asked("reset-failed", self.unit)

    def ended(self) -> list[str]:
        """How each of its lives ended, by the service manager's word. (It is told on its output: in there, a home is
        for reading.)"""
        lines = (self.manager.home / OUT).read_text().splitlines()
        return [line.removeprefix(ENDED) for line in lines if line.startswith(ENDED)]

    def nights(self) -> list[Path]:
        """The nights in the user's own folder."""
        state = Path(self.manager.environment["XDG_STATE_HOME"])
        return sorted((state / "stagectl" / "nights").glob("*.night"))

    def goes_on(self, button: str, at: str) -> None:
        """A foot is heard."""
        self.press(button)
        waited = until(f"at `{at}`", lambda: self.is_("StatusText").startswith(at))
        self.check(f"`{button}` leads to `{at}`, said {waited:.2f} s later", True)

    def close(self) -> None:
        self.desk.close()


def is_served(page: str) -> bool:
    """Whether a page is there, and is the program's."""
    with suppress(OSError), urlopen(f"http://{page}/", timeout=5) as answer:
        return b"stagectl" in answer.read()
    return False


def drop_in(manager: Manager, unit: str, *lines: str) -> None:
    """Changes of the user's own, beside the unit."""
    python = [f"Environment={name}={manager.environment[name]}" for name in PYTHON if name in manager.environment]
    manager.write(f"{unit}.d/own.conf", "\n".join(("[Service]", *python, *lines)) + "\n")


def over_osc(manager: Manager, folder: Path, sandbox: bool, own: Sequence[str]) -> list[str]:
    manager.environment["XDG_STATE_HOME"] = str(manager.home / """the rig's 100 %h, $HOME""")
    night = Night(manager, folder)
    out = manager.home / OUT
    try:
        page = f"127.0.0.1:{free_port()}"
        run = manager.run(*STAGECTL, "service", "install", str(night.show), "--page", page)
        print(run.stdout + run.stderr)
        night.check("the unit is installed", run.returncode == 0)
        # systemd.exec(5), "Environment Variables in Spawned Processes": why it ended.
        ends = f"ExecStopPost=sh -c 'echo {ENDED}$SERVICE_RESULT'"
        drop_in(manager, night.unit, f"StandardOutput=append:{out}", ends, *own)
        manager.asked("daemon-reload")
        night.comes_late()
        begun = time.monotonic()
        start = manager.asked("start", night.unit)
        print(f"     started in {time.monotonic() - begun:.2f} s {start.stderr}")
        night.check("it is ready when `start` returns", night.is_("ActiveState") == "active")
        if night.is_("ActiveState") != "active":
            print(manager.asked("cat", night.unit).stdout, manager.asked("status", night.unit).stdout)
            return night.wrong
        night.check("it says where it is", night.is_("StatusText") == "base")
        pid = night.is_("MainPID")
        words = Path(f"/proc/{pid}/cmdline").read_bytes().split(b"\0")
        night.check("the show's path came through whole", os.fsencode(night.show) in words)
        limits = Path(f"/proc/{pid}/limits").read_text()
        priority = next(line for line in limits.splitlines() if "realtime priority" in line)
        status = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
        print(f"     {' '.join(priority.split())}; policy {status[38]}, priority {status[37]}")
        ahead = (status[38], status[37]) == ("1", "1")
        night.check(f"its loop goes {'before others' if ahead else 'as others do'}", ahead == manager.may_go_ahead)
        apart = os.readlink(f"/proc/{pid}/ns/mnt") != os.readlink("/proc/self/ns/mnt")
        night.check(f"its files are {'kept apart' if sandbox else 'not kept apart by this one'}", apart == sandbox)
        if sandbox:
            mounts = Path(f"/proc/{pid}/mountinfo").read_text()
            held = [line.split()[4:6] for line in mounts.splitlines()]
            for below, what in (("/", "all files"), (str(HOMES), "homes")):
                ro = any(at == below and "ro" in how.split(",") for at, how in held)
                night.check(f"{what} may only be read", ro)
        waited = until("the page is served", lambda: is_served(page))
        night.check(f"the page is served, {waited:.2f} s later", True)
        night.goes_on("on", "The Ferry Waltz")
        night.press("more")
        night.fails("kill -9", lambda number: os.kill(number, 9), "signal")
        night.goes_on("on", "Seven Gates")
        night.fails("stopped", lambda number: os.kill(number, 19), "watchdog")
        night.goes_on("back", "The Ferry Waltz")
        manager.asked("stop", night.unit)
        night.check("it ends when it is told to", night.is_("ActiveState") == "inactive")
        kinds = [str(one["kind"]) for one in night.told()]
        night.check("it is in the user's own folder, beside the first one", len(night.nights()) == 2)
        night.check("the journal has it all", (kinds.count("resumed"), kinds.count("end")) == (2, 1))
        run = manager.run(*STAGECTL, "service", "remove")
        print(run.stdout + run.stderr)
        left = sorted(path.name for path in (manager.home / ".config/systemd/user").rglob("stagectl.service"))
        night.check("the unit is gone, and its link", run.returncode == 0 and left == [])
        night.check("the service manager has forgotten it", night.is_("LoadState") == "not-found")
    finally:
        night.close()
        print((manager.home / OUT).read_text()[-3000:] if night.wrong and out.exists() else "")
    return night.wrong


def over_jack(manager: Manager, own: Sequence[str]) -> list[str]:
    """The show over MIDI, with tracks: everything that is reached through a sound server is reached from a service."""
    unit, out = "stagectl-loud.service", manager.home / OUT
    manager.environment |= {"JACK_DEFAULT_SERVER": "corner", "JACK_NO_START_SERVER": "1"}
    show = manager.home / "nine-songs"
    shutil.copytree(ROOT / "setlists" / "nine-songs", show)
    begun = [
        manager.begin("jackd", "--no-realtime", "-n", "corner", "-d", "dummy", "-r", "48000", "-p", "512", "-P", "4")
    ]
    manager.run("jack_wait", "-w", "-t", "10")
    size = ("--inputs", "16", "--mixes", "5", "--midi", "desk", "--midi-api", "jack")
    begun.append(manager.begin(*STAGECTL, "desk", "control-change", *size))
    checks = Checks()

    def is_here(lives: int) -> bool:
        told = out.read_text() if out.exists() else ""
        return told.count(" desk is here") == told.count(" stage laptop is here") == lives

    try:
        until("the desk is on JACK", lambda: "desk" in manager.run(*STAGECTL, "ports").stdout)
        run = manager.run(*STAGECTL, "service", "install", str(show), "--name", "loud", "--midi-api", "jack")
        checks.check("the unit is installed", run.returncode == 0)
        drop_in(manager, unit, f"StandardOutput=append:{out}", "Environment=JACK_NO_START_SERVER=1", *own)
        manager.asked("daemon-reload")
        checks.check("it starts", manager.asked("start", unit).returncode == 0)
        until("desk and sound are here", lambda: is_here(1))
        os.kill(int(manager.of(unit, "MainPID")), 9)
        until("desk and sound are here again", lambda: is_here(2))
        checks.check("its desk and its sound are found on JACK, after kill -9 as well", True)
        lines = manager.run("jack_lsp", "-c").stdout.splitlines()
        names = [name for name, to in pairwise(lines) if to == "   desk:desk"]
        checks.check("what JACK itself says of it", len(names) == 1 and names[0].startswith("stagectl"))
        manager.asked("stop", unit)
    finally:
        for program in reversed(begun):
            program.kill()
            program.wait()
    return checks.wrong


def words(manager: Manager, folder: Path) -> list[str]:
    """What `escape` writes is what the service manager reads: any words, by seed."""
    seed = random.randrange(1_000_000)
    chance, checks = random.Random(seed), Checks()
    letters = [chr(code) for code in range(1, 0x180)] + list("%$\\\"' ;é→\u2028")
    meant = ["", ";", "-", "@x", "$HOME", "${HOME}", "$$", "%h", "%%", "\\", "a\\", '"', "'", "a b", "# no", "\n"]
    meant += ["".join(chance.choices(letters, k=chance.randrange(1, 12))) for _ in range(300)]
    # It only tells its words: it is not watched, and writes where it likes.
    others = ("Type=", "Watchdog", "ReadWrite")
    unit = "stagectl-words.service"
    for at, name in enumerate(("plain", "its $HOME & 100 %h", """the rig's "words" \\""")):
        program, out = folder / f"tells {name}", manager.home / f"{at} $TO %h"
        program.write_text('#!/bin/sh\nfor word; do printf "%s\\0" "$word"; done > "$TO"\n')
        program.chmod(0o755)
        service = Service(command=[str(program), *meant], title="words \\", unit=unit, environment={"TO": str(out)})
        lines = text(service).splitlines(keepends=True)
        manager.write(unit, "".join(line for line in lines if not line.startswith(others)))
        manager.asked("daemon-reload")
        manager.asked("start", unit)
        until("the words are told", lambda: manager.of(unit, "ActiveState") in ("inactive", "failed"))
        said = out.read_bytes().split(b"\0")[:-1] if out.exists() else []
        whole = said == list(map(os.fsencode, meant))
        checks.check(f"{len(meant)} words reach a program that is called `{name}` (seed {seed})", whole)
        for word, heard in zip(meant, said, strict=False):
            if os.fsencode(word) != heard:
                print(f"     {word!r} came as {heard!r}")
    return checks.wrong


ENDS: Final = {0: False, 1: True, 2: False, 3: True}
"""Exit codes of a program, and whether it is to be started again: systemd.service(5), `RestartPreventExitStatus`."""

HAS_ONE = """trap 'exit 0' TERM
sh -c 'trap "echo told >> told" TERM; while :; do sleep 0.1; done' &
echo $! > one
while :; do sleep 0.1; done
"""
"""A program that has one of its own, which hears when it is told to end."""


def ends(manager: Manager) -> list[str]:
    """What the service manager makes of the lines about an end, with programs that only end."""
    checks = Checks()

    def begin(name: str, *command: str) -> str:
        """A service that says nothing and is not watched; the rest is as it always is."""
        unit = f"stagectl-{name}.service"
        lines = text(Service(command=command, title=name, unit=unit)).splitlines(keepends=True)
        others = ("Type=", "Watchdog", "Protect", "ReadWrite")
        said = "".join(line for line in lines if not line.startswith(others))
        manager.write(unit, said.replace("[Service]\n", f"[Service]\nWorkingDirectory={manager.home}\n"))
        manager.asked("daemon-reload")
        manager.asked("start", unit)
        return unit

    for code, again in ENDS.items():
        unit = begin(f"ends-with-{code}", "/bin/sh", "-c", f"exit {code}")
        until("it has ended", lambda unit=unit: manager.of(unit, "SubState") != "running")  # type: ignore[misc]
        state = manager.of(unit, "SubState")
        said = f"exit code {code}: it is {'started again' if again else 'not started again'}"
        checks.check(f"{said} ({state})", (state == "auto-restart") is again)
        manager.asked("stop", unit)
    unit = begin("has-one", "/bin/sh", "-c", HAS_ONE)
    one, told = manager.home / "one", manager.home / "told"
    until("it has one of its own", lambda: one.exists() and one.read_text().strip() != "")
    manager.asked("stop", unit)
    checks.check("what it has started ends with it", not Path(f"/proc/{one.read_text().strip()}").exists())
    checks.check("and it was for the program to tell that so", not told.exists())
    return checks.wrong


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--sandbox", action="store_true")
    parser.add_argument("--jack", action="store_true")
    parser.add_argument("--watchdog", type=int, default=2, metavar="S")
    given = parser.parse_args()
    if INSIDE not in os.environ:
        return in_a_corner(__file__, sys.argv[1:])
    with a_corner() as folder:
        folder.chmod(0o755)
        home = folder / "home"
        home.mkdir()
        manager = Manager(home)
        try:
            own = ("PrivateUsers=yes",) if given.sandbox else ()
            if given.jack:
                wrong = over_jack(manager, own)
            else:
                wrong = ends(manager) + words(manager, folder)
                wrong += over_osc(manager, folder, given.sandbox, (f"WatchdogSec={given.watchdog}", *own))
        except TimeoutError as error:
            wrong = [str(error)]
            print(error)
        finally:
            manager.close()
    print(f"{len(wrong)} wrong" if wrong else "all as it should be")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
