"""Tries planted bugs in the world under a seed, several at a time, and prints what came of each.

One process loads the program and the world; it forks for each try, plants the bug there and plays the nights.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import selectors
import sys
import time
from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from importlib import import_module
from pathlib import Path
from typing import Any, Final, NamedTuple

from .planted import BUGS, bug_of, plant

SEEN: Final = Path(__file__).with_name("planted_seen.txt")
"""Where each bug was caught last."""

NIGHTS: Final = 20
"""Nights of each seed that are played until a bug is caught, where nothing else is asked for."""

SEEDS: Final = 10

CPU_S: Final = 20
"""How long one try may take, s of CPU: a bug may be one that never comes to an end."""

NOT_CAUGHT: Final = "not caught"


SHORTER: Final = (6, 25, 100)
"""So many inputs before it broke are tried by themselves: most bugs need no more, and the rest is saved."""


class Place(NamedTuple):
    """Where a bug is caught: a seed, its night, and the inputs that are enough, from the first to the last."""

    seed: int
    night: int
    first: int
    last: int


class Task(NamedTuple):
    """A try: a bug (none: the program as it is), a seed and which of its nights. `sums`: whether all nights are played,
    and what their traces come to is told; `only`: the first and the last of the inputs that are played, and the end."""

    name: str | None
    seed: int
    nights: tuple[int, ...]
    sums: bool = False
    only: tuple[int, int] | None = None


class Came(NamedTuple):
    """What came of a try. `rule`: which one the world found broken, None where it found none; `says`: how; `night`: in
    which night; `at_s`: when in it; `steps`: of the core until then; `cpu_s`: how long it took; `sums`: of the traces
    of all nights, where they were asked for; `only`: the first and the last input that are enough for it."""

    rule: int | None
    says: str
    night: int = 0
    at_s: float = 0.0
    steps: int = 0
    cpu_s: float = 0.0
    sums: tuple[str, ...] = ()
    only: tuple[int, int] = (0, 0)


def seen() -> dict[str, Place]:
    """Where each bug was caught last."""
    out = {}
    for line in SEEN.read_text("utf-8").splitlines() if SEEN.exists() else []:
        if line and not line.startswith("#"):
            *place, name = line.split(maxsplit=4)
            out[name] = Place(*map(int, place))
    return out


def keep(found: dict[str, Place]) -> None:
    """Keep where bugs were caught; those that are no more are left out."""
    rows = ["# seed, night, first and last input, name; written by `python -m tests.world.planted --keep`"]
    rows += ["{} {} {} {} {}".format(*found[name], name) for name in BUGS if name in found]
    SEEN.write_text("\n".join(rows) + "\n", "utf-8")


# -- one try ----------------------------------------------------------------------------------------------


def loaded() -> None:
    """Load the program and the world, so that no try has to."""
    for name in ("night", "runner"):
        import_module(f"{__package__}.{name}")


def play(task: Task) -> Came:
    """Plant the bug, and play the nights until one breaks."""
    begun = time.process_time()
    if task.name is not None:
        plant(task.name)
    from .night import World
    from .runner import Nights

    steps = 0
    stepped: Any = World.stepped

    def counted(*args: Any) -> None:
        nonlocal steps
        steps += 1
        stepped(*args)

    setattr(World, "stepped", counted)  # noqa: B010 - a method counts as no attribute
    nights, sums = Nights(task.seed), list[str]()
    try:
        for night in task.nights:
            inputs = nights.inputs_of(night)
            failure, trace = nights.play(night, _some(inputs, task.only), whole=task.sums)
            sums.append(trace.sha256)
            if failure is not None and not task.sums:
                took, taken = time.process_time() - begun, steps
                only = task.only or _shorter(nights, inputs, failure)
                return Came(failure.rule, failure.says, night, failure.at / 1e9, taken, took, (), only)
    finally:
        nights.close()
    return Came(None, NOT_CAUGHT, task.nights[-1], 0.0, steps, time.process_time() - begun, tuple(sums))


def _some(inputs: Sequence[Any], only: tuple[int, int] | None) -> Sequence[Any]:
    """Some of a night's inputs, and its end."""
    if only is None:
        return inputs
    return [one for at, one in enumerate(inputs) if only[0] <= at <= only[1] or one.kind == "end"]


def _shorter(nights: Any, inputs: Sequence[Any], failure: Any) -> tuple[int, int]:
    """The inputs that are enough to break the same rule: a few before it broke, if they are."""
    last = max((at for at, one in enumerate(inputs) if one.at <= failure.at), default=0)
    for some in SHORTER:
        only = (max(0, last - some + 1), last)
        found, _ = nights.play(failure.night, _some(inputs, only))
        if found is not None and found.rule == failure.rule:
            return only
    return 0, last


def _child(task: Task, pipe: int) -> None:
    resource.setrlimit(resource.RLIMIT_CPU, (CPU_S, CPU_S + 5))
    try:
        came = play(task)
    except Exception as error:  # noqa: BLE001 - told to whoever waits
        came = Came(None, f"{type(error).__name__}: {error}")
    with os.fdopen(pipe, "w", encoding="utf-8") as out:
        json.dump(came, out)
        out.flush()
    os._exit(0)


def tries(tasks: Iterable[Task], cores: int) -> Iterator[tuple[Task, Came]]:
    """What comes of some tries, as each ends. `cores`: how many at a time."""
    waiting, selector = deque(tasks), selectors.DefaultSelector()
    running: dict[int, tuple[Task, int, list[bytes]]] = {}
    while waiting or running:
        while waiting and len(running) < cores:
            task = waiting.popleft()
            ours, theirs = os.pipe()
            child = os.fork()
            if not child:
                os.close(ours)
                _child(task, theirs)
            os.close(theirs)
            selector.register(ours, selectors.EVENT_READ)
            running[ours] = (task, child, [])
        for key, _ in selector.select():
            task, child, said = running[key.fd]
            data = os.read(key.fd, 65_536)
            if data:
                said.append(data)
                continue
            selector.unregister(key.fd)
            os.close(key.fd)
            del running[key.fd]
            _, status = os.waitpid(child, 0)
            text = b"".join(said)
            over = Came(None, f"ended by signal {os.WTERMSIG(status)}" if os.WIFSIGNALED(status) else "ended early")
            yield task, _came(text) if text else over


def _came(text: bytes) -> Came:
    *fields, sums, only = json.loads(text)
    return Came(*fields)._replace(sums=tuple(sums), only=tuple(only))


# -- the table --------------------------------------------------------------------------------------------


def tried(arguments: Sequence[str] | None = None) -> int:
    """Try the bugs, and print the table. Returns the exit code."""
    parser = argparse.ArgumentParser(prog="python -m tests.world.planted", description="Plants bugs, one at a time.")
    parser.add_argument("names", nargs="*", metavar="NAME", help="bugs, by their names; all where none is named")
    parser.add_argument("--seed", type=int, default=1, help="the first seed")
    parser.add_argument("--seeds", type=int, default=SEEDS, help=f"so many seeds, {SEEDS} by default")
    parser.add_argument("--nights", type=int, default=NIGHTS, help=f"nights of a seed, {NIGHTS} by default")
    parser.add_argument("--seen", action="store_true", help="only where each was caught last")
    parser.add_argument("--keep", action="store_true", help="keep where each was caught")
    parser.add_argument("--cores", type=int, default=os.cpu_count() or 1, help="how many are tried at a time")
    parser.add_argument("--json", action="store_true", help="a line of JSON for each, instead of the table")
    parser.add_argument("--why", action="store_true", help="of those not caught, say whether they change anything")
    parser.add_argument("--list", action="store_true", help="only list the bugs")
    given = parser.parse_args(arguments)
    names = [bug_of(name).name for name in given.names] or list(BUGS)
    if given.list:
        print(*(f"{BUGS[name].breaks!s:>13}  {name}  ({BUGS[name].file})" for name in names), sep="\n")
        return 0
    loaded()
    table = Table(as_json=given.json, keeps=given.keep, cores=given.cores)
    found = seen()
    seeds = [] if given.seen else list(range(given.seed, given.seed + given.seeds))
    table.search(names, found, seeds, tuple(range(given.nights)))
    if given.why:
        table.look(names, given.seed, tuple(range(given.nights)))
    return table.end(names)


class Table:
    """What was found, printed as it is found."""

    def __init__(self, *, as_json: bool, keeps: bool, cores: int) -> None:
        self.caught: dict[str, tuple[int, Came]] = {}
        self.sound = True
        self._as_json = as_json
        self._last: dict[str, Came] = {}
        self._steps: dict[str, int] = {}
        self._cpu_s: dict[str, float] = {}
        self._cores = cores
        self._keeps = keeps

    def search(
        self,
        names: Sequence[str],
        found: dict[str, Place],
        seeds: Sequence[int],
        nights: tuple[int, ...],
    ) -> None:
        """Try each bug where it was caught last, then at one seed after the other; and the program without a bug at
        all these places."""
        where = {name: found[name] for name in names if name in found}
        self._round([Task(name, one.seed, (one.night,), only=(one.first, one.last)) for name, one in where.items()])
        for seed, night in ((seed, night) for seed in seeds for night in nights):
            left = [Task(name, seed, (night,)) for name in names if name not in self.caught]
            if left:
                self._round(left)

    def _round(self, tasks: Sequence[Task]) -> None:
        """Play nights without a bug, then with one each; a night that breaks without one shows nothing."""
        broken = set()
        for task, came in tries(dict.fromkeys(task._replace(name=None) for task in tasks), self._cores):
            if came.says != NOT_CAUGHT:
                self.sound = False
                broken.add(task)
                print(f"without a bug, seed {task.seed}, night {came.night}: rule {came.rule}: {came.says[:300]}")
        left = [task for task in tasks if task._replace(name=None) not in broken]
        for task, came in tries(left, self._cores):
            assert task.name is not None
            self._steps[task.name] = self._steps.get(task.name, 0) + came.steps
            self._cpu_s[task.name] = self._cpu_s.get(task.name, 0.0) + came.cpu_s
            self._last[task.name] = came
            if came.rule is not None:
                self.caught[task.name] = (task.seed, came)
                self._say(task.name)
                if self._keeps:
                    keep(seen() | {task.name: Place(task.seed, came.night, *came.only)})

    def _say(self, name: str) -> None:
        bug, (seed, came) = BUGS[name], self.caught.get(name, (0, self._last[name]))
        steps, cpu_s = self._steps[name], self._cpu_s[name]
        if self._as_json:
            row = {"bug": name, "breaks": bug.breaks, "rule": came.rule, "seed": seed, "night": came.night}
            print(json.dumps({**row, "says": came.says, "steps": steps, "cpu_s": round(cpu_s, 2)}), flush=True)
            return
        by = f"rule {came.rule}" if came.rule is not None else came.says[:60]
        where = f"seed {seed}, night {came.night}, {came.at_s:.0f} s" if came.rule is not None else ""
        print(f"{name:<52} {bug.breaks!s:<13} {by:<10} {where:<28} {steps:>7} steps {cpu_s:6.1f} s", flush=True)

    def look(self, names: Sequence[str], seed: int, nights: tuple[int, ...]) -> None:
        """Of bugs that were not caught, say how many nights they have changed at all: where none, the world never gets
        there; where some, it looks away."""
        missed = [name for name in names if name not in self.caught]
        sums = {
            task.name: came.sums
            for task, came in tries([Task(name, seed, nights, True) for name in (None, *missed)], self._cores)
        }
        for name in missed:
            differ = [night for night, one, other in zip(nights, sums[None], sums[name], strict=False) if one != other]
            print(f"  {name}: {len(differ)} of {len(nights)} nights of seed {seed} are not what they are without it")
            print(f"    {', '.join(map(str, differ[:12]))}" if differ else "    the world never gets there")

    def end(self, names: Sequence[str]) -> int:
        """What was not caught, and the exit code."""
        missed = [name for name in names if name not in self.caught]
        for name in missed:
            if name in self._last:
                self._say(name)
            else:
                print(f"{name}: it was never caught, and not tried")
        if not self._as_json:
            print(f"{len(names) - len(missed)} of {len(names)} planted bugs were caught")
        return 1 if missed or not self.sound else 0


if __name__ == "__main__":
    sys.exit(tried())
