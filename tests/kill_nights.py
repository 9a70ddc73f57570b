"""Nights that are killed: the daemon, at any instant, under busy feet, over real sockets, by seed.

    python tests/kill_nights.py --kills 300 [--seed 1] [--careless] [--keep FOLDER]

After each kill, and after the night was taken up again, it asks

- whether a change has reached the desk that is not in the journal;
- whether the journal, played again, gives what the journal tells, and the place at which the night was taken up;
- whether any level moved because of it: the desk ends where the night had asked it to go, and hears of no other level
  for a send that was there already.

`--careless` takes away what is kept in memory for a journal before the bytes leave: then changes have to be found
missing, or these questions ask nothing. `--keep` puts the journal of what was wrong into a folder.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import signal
import socket
import sys
import tempfile
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any, Final, NamedTuple

TESTS: Final = Path(__file__).resolve().parent
sys.path[:0] = [str(TESTS), str(TESTS / "live")]

from free_ports import free_port  # noqa: E402
from lines import Program  # noqa: E402
from nights import ROOT, STAGECTL, quick_copy  # noqa: E402

from stagectl.cli.replay import the_same  # noqa: E402
from stagectl.core.effects import Ask  # noqa: E402
from stagectl.core.events import Event, Wake  # noqa: E402
from stagectl.core.levels import OFF, Level  # noqa: E402
from stagectl.core.plan import Plan  # noqa: E402
from stagectl.core.state import State, begin  # noqa: E402
from stagectl.core.step import next_wake, step  # noqa: E402
from stagectl.journal.read import events, open_read, rows  # noqa: E402
from stagectl.show.compile import compile_show  # noqa: E402
from stagectl.show.load import load_show  # noqa: E402
from stagectl.story.heard import event  # noqa: E402
from stagectl.story.replay import NOT_OF_THE_CORE, Chapter  # noqa: E402
from stagectl.story.rows import stop_names  # noqa: E402
from stagectl.wire.osc import build  # noqa: E402

A_JOURNAL: Final = 10
"""Kills that one journal goes through."""

SETTLES_NS: Final = 1_500_000_000
"""For so long after a message its level may still be on its way to the desk, or another one after it."""

TRIES: Final = 400

ANSWERS_S: Final = 20
"""How long the desk of a busy machine has for an answer, s."""

BUTTONS: Final = ("on", "on", "more", "more", "less", "back", "hush", "more-of-me", "less-of-the-rest")

Place = tuple[int, int]
"""A mix and an input, as the desk counts them."""


class Wrong(NamedTuple):
    """Something that should not be."""

    kill: int
    says: str


class Rig:
    """The show, its desk and its foot."""

    def __init__(self, folder: Path) -> None:
        desk_port, foot_port = free_port(), free_port()
        self.show = quick_copy("three-songs", folder, **{"9000": str(desk_port), "9010": str(foot_port)})
        self.plan: Plan = compile_show(load_show(self.show)).plan
        where = f"127.0.0.1:{desk_port}"
        size = ("--inputs", "4", "--mixes", "3")
        self.desk = Program([*STAGECTL, "desk", "osc-decibels", *size, "--osc", where, "--json"])
        self.desk.line()
        self._to = ("127.0.0.1", foot_port)
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._desk_port = desk_port
        self._asks = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._asks.settimeout(ANSWERS_S)
        self._asks.connect(("127.0.0.1", desk_port))

    def press(self, button: str) -> None:
        for value in (1, 0):
            self._socket.sendto(build(f"/foot/{button}", (value,)), self._to)

    def take_in(self) -> None:
        """The desk takes in whatever is on its way to it: it hears one after the other, and answers a question."""
        self._asks.send(build("/ask/mix/1/whole", ()))
        self._asks.recv(1024)
        dropped = drops(self._desk_port)
        if dropped:
            raise OSError(f"the system has dropped {dropped} packets to the desk: this machine is too busy for this")

    def levels(self) -> tuple[dict[Place, Level], list[tuple[Place, Level]]]:
        """Every level now, and what the desk was told since it was last asked."""
        self.desk.say("levels")
        told: list[tuple[Place, Level]] = []
        while True:
            line = json.loads(self.desk.line())
            if "levels" in line:
                return {_place(one): _level(one) for one in line["levels"] if one["input"] is not None}, told
            if "level_db" in line and line.get("input") is not None:
                told.append((_place(line), _level(line)))

    def of_sends(self, levels: dict[Place, Level]) -> dict[int, Level]:
        """The same by the plan's sends: mix and socket count from 1 in the order of the rig."""
        return {self.plan.send(mix - 1, socket_ - 1): level for (mix, socket_), level in levels.items()}

    def close(self) -> None:
        self.desk.close()
        self._socket.close()
        self._asks.close()


def drops(port: int) -> int:
    """Packets to a UDP port of ours that the system threw away, since nobody took them (Linux: proc(5), net/udp)."""
    for line in Path("/proc/net/udp").read_text().splitlines()[1:]:
        fields = line.split()
        if int(fields[1].partition(":")[2], 16) == port:
            return int(fields[-1])
    return 0


def _place(one: dict[str, Any]) -> Place:
    return one["mix"], one["input"]


def _level(one: dict[str, Any]) -> Level:
    level = one["level_db"]
    return OFF if level in ("off", None) else round(100 * level)


@contextmanager
def played(rig: Rig, journal: Path, careless: bool) -> Iterator[tuple[Program, str]]:
    """`stagectl run` on a slow disk (`slow_disk.py`), from its line `ready` on, which is given too."""
    command = [sys.executable, "-m", "slow_disk", "run", str(rig.show), "--journal", str(journal)]
    program = Program(command, PYTHONPATH=f"{ROOT}{os.pathsep}{TESTS}", CARELESS="yes" * careless)
    try:
        yield program, program.until(lambda line: line.startswith("ready"))
    finally:
        program.close()


class Told(NamedTuple):
    """What a journal says: the state at its last event, what the desk was asked for by then or was about to be, with
    the time, ns, and the time of its last event."""

    state: State
    asked: dict[int, list[tuple[int, Level]]]
    at: int


def read(plan: Plan, journal: Path) -> Told:
    with closing(open_read(journal)) as connection:
        kept = [entry for _, entry in events(connection)]
        last = max([row.at for _, _, row in rows(connection) if row.kind not in NOT_OF_THE_CORE], default=0)
    state, asked = begin(plan, 0), dict[int, list[tuple[int, Level]]]()

    def go(what: Event, at: int) -> None:
        nonlocal state
        state, effects = step(plan, state, what, at)
        for effect in effects:
            if isinstance(effect, Ask):
                for send, level in effect.levels:
                    asked.setdefault(send, []).append((effect.at, level))

    for entry in kept:
        go(event(entry), entry.at)
    go(Wake(), last)
    killed, end = state, state.now + SETTLES_NS
    while (due := next_wake(state)) is not None and due < end:
        go(Wake(), due)
    return Told(killed, asked, killed.now)


def missing(rig: Rig, told: Told, since: int, first: dict[int, Level], now: dict[int, Level]) -> list[str]:
    """Levels of the desk that nothing in the journal has led it to, from those that it had at a time."""
    out = []
    for send, level in now.items():
        asked = [(at, one) for at, one in told.asked.get(send, []) if at > since]
        before = [first[send], *(one for at, one in asked if at < told.at - SETTLES_NS)][-1]
        among = {before, *(one for at, one in asked if at >= told.at - SETTLES_NS)}
        if level not in among:
            out.append(f"{rig.plan.send_name(send)} is at {level}, the journal led it to {sorted(map(str, among))}")
    return out


def moved(rig: Rig, told: Told, before: dict[int, Level]) -> list[str]:
    """What is wrong with how the desk's levels went on, after the night was taken up again."""
    target = {send: told.state.steps[send] for send in before}
    heard: list[tuple[Place, Level]] = []
    for _ in range(TRIES):
        levels, more = rig.levels()
        heard += more
        now = rig.of_sends(levels)
        if all(target[send] in (None, level) for send, level in now.items()):
            break
        threading.Event().wait(0.01)
    else:
        far = {
            rig.plan.send_name(send): (now[send], target[send]) for send in now if target[send] not in (None, now[send])
        }
        return [f"the desk never came to where the night had asked it to go: {far}"]
    out = []
    for place, level in heard:
        [(send, level)] = rig.of_sends({place: level}).items()
        if before[send] == target[send] and level != before[send]:
            out.append(f"{rig.plan.send_name(send)} was at {before[send]}, and was told {level}")
    return out


def nights(kills: int, seed: int, *, careless: bool = False, keep: Path | None = None) -> list[Wrong]:
    """Kill so many times. Returns what was wrong."""
    chance, wrong, at = random.Random(seed), [], 0
    while at < kills:
        with tempfile.TemporaryDirectory() as name:
            rig = Rig(Path(name))
            journal = Path(name) / "killed.night"
            before = rig.of_sends(rig.levels()[0])
            told: Told | None = None
            for _ in range(min(A_JOURNAL, kills - at)):
                at += 1
                with played(rig, journal, careless) as (daemon, ready):
                    if told is not None:
                        song, section = stop_names(rig.plan, told.state.place.stop)
                        place = f"{song}, {section}" if section else song
                        if not careless and f", at {place} (" not in ready:
                            wrong.append(Wrong(at, f"the journal is at {place}, but it says: {ready}"))
                        wrong += [Wrong(at, says) for says in moved(rig, told, before)] if not careless else []
                    _busy(rig, chance, daemon)
                    daemon.process.send_signal(signal.SIGKILL)
                    daemon.process.wait()
                rig.take_in()
                levels = rig.of_sends(rig.levels()[0])
                since = -1 if told is None else told.at
                told = read(rig.plan, journal)
                wrong += [Wrong(at, says) for says in missing(rig, told, since, before, levels)]
                before = levels
            with closing(open_read(journal)) as connection:
                pairs = the_same(connection, [Chapter(0, rig.plan)])[0]
                wrong += [Wrong(at, f"played again it differs: {pair}") for pair in pairs]
            rig.close()
            if keep is not None and any(one.kill > at - A_JOURNAL for one in wrong):
                shutil.copy(journal, keep / f"seed-{seed}-up-to-{at}.night")
    return wrong


def _busy(rig: Rig, chance: random.Random, daemon: Program) -> None:
    """Feet that are busy until a moment by chance, from the first instant to well into the night."""
    for _ in range(chance.randint(0, 25)):
        rig.press(chance.choice(BUTTONS))
        threading.Event().wait(chance.choice((0, 0, 0.001, 0.01, 0.05)))
    threading.Event().wait(chance.random() * chance.choice((0.002, 0.02, 0.3)))


def main() -> None:
    """Print what was found."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kills", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--careless", action="store_true")
    parser.add_argument("--keep", type=Path)
    given = parser.parse_args()
    os.environ.pop("STATE_DIRECTORY", None)
    wrong = nights(given.kills, given.seed, careless=given.careless, keep=given.keep)
    for one in wrong[:20]:
        print(f"kill {one.kill}: {one.says}")
    print(f"{given.kills} kills by seed {given.seed}: {len(wrong)} things are wrong")
    raise SystemExit(bool(wrong))


if __name__ == "__main__":
    main()
