"""Where planted bugs are caught: the table of tries that is printed, and the list of places that is kept."""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections import Counter
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Final

from .planted import BUGS, bug_of
from .planted_by_hand import BY_HAND
from .planted_tries import ALL, NOT_CAUGHT, Came, Place, Task, fitting, loaded, tries
from .runner import Shows

SEEN: Final = Path(__file__).with_name("planted_seen.txt")
"""Where each bug was caught last."""

NIGHTS: Final = 20
"""Nights of each seed that are played until a bug is caught, where nothing else is asked for."""

SEEDS: Final = 10


def seen() -> dict[str, Place]:
    """Where each bug was caught last."""
    out = {}
    for line in SEEN.read_text("utf-8").splitlines() if SEEN.exists() else []:
        if line and not line.startswith("#"):
            seed, night, only, name = line.split(maxsplit=3)
            out[name] = Place(int(seed), int(night), only)
    return out


def keep(found: dict[str, Place]) -> None:
    """Keep where bugs were caught; those that are no more are left out."""
    rows = ["# seed, night, the inputs that are enough, name; written by `python -m tests.world.planted --keep`"]
    rows += ["{} {} {} {}".format(*found[name], name) for name in BUGS if name in found]
    SEEN.write_text("\n".join(rows) + "\n", "utf-8")


def tried(arguments: Sequence[str] | None = None) -> int:
    """Try the bugs, and print the table. Returns the exit code."""
    parser = argparse.ArgumentParser(prog="python -m tests.world.planted", description="Plants bugs, one at a time.")
    parser.add_argument("names", nargs="*", metavar="NAME", help="bugs, by their names; all where none is named")
    parser.add_argument("--seed", type=int, default=1, help="the first seed")
    parser.add_argument("--seeds", type=int, default=SEEDS, help=f"so many seeds, {SEEDS} by default")
    parser.add_argument("--nights", type=int, default=NIGHTS, help=f"nights of a seed, {NIGHTS} by default")
    parser.add_argument("--seen", action="store_true", help="only where each was caught last")
    parser.add_argument("--keep", action="store_true", help="keep where each was caught")
    parser.add_argument("--shrink", action="store_true", help="make the places short, and keep that")
    parser.add_argument("--share", action="store_true", help="let bugs share places, and keep that")
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
    shows = Shows()
    try:
        table = Table(
            shows, as_json=given.json, keeps=given.keep or given.shrink, cores=given.cores, shrinks=given.shrink
        )
        seeds = [] if given.seen else list(range(given.seed, given.seed + given.seeds))
        table.search(names, seen(), seeds, tuple(range(given.nights)))
        if given.share:
            from .planted_share import share

            found = {name: place for name, place in seen().items() if name in table.caught}
            keep(seen() | share(found, given.cores, shows))
            print(f"{len(found)} planted bugs are caught at {len(set(seen().values()))} places")
        if given.why:
            table.look(names, given.seed, tuple(range(given.nights)))
        return table.end(names)
    finally:
        shows.close()


class Table:
    """What was found, printed as it is found."""

    def __init__(self, shows: Shows, *, as_json: bool, keeps: bool, cores: int, shrinks: bool = False) -> None:
        self.caught: dict[str, tuple[int, Came]] = {}
        self.sound = True
        self._shows = shows
        self._as_json = as_json
        self._last: dict[str, Came] = {}
        self._steps: Counter[str] = Counter()
        self._cpu_s: dict[str, float] = {}
        self._cores = cores
        self._keeps, self._shrinks = keeps, shrinks
        self._holds: dict[Task, Came] = {}
        """What came of the tries without a bug."""

    def search(
        self,
        names: Sequence[str],
        found: dict[str, Place],
        seeds: Sequence[int],
        nights: tuple[int, ...],
    ) -> None:
        """Try each bug where it was caught last or in its history, then where others are, then at one seed after the
        other; and the program without a bug at all these places."""
        tasks = [found[name].task(name) for name in names if name in found]
        tasks += [Task(name, 0, (), by_hand=name) for name in names if name in BY_HAND]
        self._round([task._replace(shrinks=self._shrinks) if task.only else task for task in tasks])
        for place in dict.fromkeys(found.values()) if seeds else ():
            self._round([place.task(name) for name in self._missing(names)])
        for seed in seeds:
            missing = self._missing(names)
            for night, fit in (fitting(missing, seed, nights, self._shows) if missing else {}).items():
                self._round([Task(name, seed, (night,), shrinks=self._keeps) for name in self._missing(fit)])

    def _missing(self, names: Sequence[str]) -> list[str]:
        return [name for name in names if name not in self.caught]

    def _round(self, tasks: Sequence[Task]) -> None:
        """Play nights without a bug, then with one each; a night that breaks without one shows nothing."""
        self._without(task._replace(name=None, shrinks=False) for task in tasks)
        sound = [task for task in tasks if self._holds[task._replace(name=None, shrinks=False)].says == NOT_CAUGHT]
        for task, came in tries(sound, self._cores, self._shows):
            assert task.name is not None
            self._steps[task.name] += came.steps
            self._cpu_s[task.name] = self._cpu_s.get(task.name, 0.0) + came.cpu_s
            self._last[task.name] = came
            if came.rule is not None:
                self.caught[task.name] = (task.seed, came)
                self._say(task.name)
                if self._keeps and task.by_hand is None:
                    keep(seen() | {task.name: self._place(task, came)})

    def _without(self, tasks: Iterable[Task]) -> None:
        """Play nights without a bug, each once."""
        fresh = [task for task in dict.fromkeys(tasks) if task not in self._holds]
        for task, came in tries(fresh, self._cores, self._shows):
            self._holds[task] = came
            if came.says != NOT_CAUGHT:
                self.sound = False
                where = f"seed {task.seed}, nights {task.nights}, inputs {task.only or 'all'}"
                where = f"the history of `{task.by_hand}`" if task.by_hand is not None else where
                print(f"without a bug, {where}: rule {came.rule}: {came.says[:300]}")

    def _place(self, task: Task, came: Came) -> Place:
        """Where a bug was caught: what was made short only if it holds without the bug."""
        place = Place(task.seed, came.night, came.only)
        self._without([place.task(None)])
        whole = Place(task.seed, came.night, f"0-{ALL}")
        return place if self._holds[place.task(None)].says == NOT_CAUGHT else whole

    def _say(self, name: str) -> None:
        bug, (seed, came) = BUGS[name], self.caught.get(name, (0, self._last[name]))
        steps, cpu_s = self._steps[name], self._cpu_s[name]
        if self._as_json:
            row = {"bug": name, "breaks": bug.breaks, "rule": came.rule, "seed": seed, "night": came.night}
            print(json.dumps({**row, "says": came.says, "steps": steps, "cpu_s": round(cpu_s, 2)}), flush=True)
            return
        by = f"rule {came.rule}" if came.rule is not None else came.says[:60]
        place = "by hand" if name in BY_HAND else f"seed {seed}, night {came.night}"
        where = f"{place}, {came.at_s:.0f} s" if came.rule is not None else ""
        print(f"{name:<52} {bug.breaks!s:<13} {by:<10} {where:<28} {steps:>7} steps {cpu_s:6.1f} s", flush=True)

    def look(self, names: Sequence[str], seed: int, nights: tuple[int, ...]) -> None:
        """Of bugs that were not caught, say how many nights they have changed at all: where none, the world never gets
        there; where some, it looks away."""
        missed = [name for name in names if name not in self.caught]
        sums = {
            task.name: came.sums
            for task, came in tries(
                [Task(name, seed, nights, True) for name in (None, *missed)], self._cores, self._shows
            )
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
