"""How long `stagectl log` takes with each filter on a journal of a million rows, made by a seed.

Beside each stands, in the same run, a bare query: Python with nothing but its sqlite3 module, which counts the rows of
the same condition; and Python alone.

    python tests/bench_log.py

Each figure is the least of some runs, of whole processes: what other work on the machine adds only ever adds.
"""

from __future__ import annotations

import os
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Final, NamedTuple

from stagectl.journal.schema import Night
from stagectl.journal.write import Journal
from stagectl.story.rows import Row

ROWS: Final = 1_000_000
SEED: Final = 20_261_126
RUNS: Final = 5
SONGS: Final = 200
LISTENERS: Final = 16
INPUTS: Final = 48
WALL: Final = 1_795_635_000_000_000
"""2026-11-25T19:30Z, µs."""

LOG: Final = ("-m", "stagectl", "log")

BARE: Final = """
import sqlite3, sys
print(sqlite3.connect(f"file:{sys.argv[1]}?mode=ro", uri=True).execute(sys.argv[2]).fetchone()[0])
"""


class Case(NamedTuple):
    """A filter as it is given, and the same condition in SQL."""

    flags: tuple[str, ...]
    where: str


CASES: Final = (
    Case(("--refused",), "kind = 'refusal'"),
    Case(("--listener", "player 16"), "(kind = 'change' AND listener = 'player 16') OR who = 'player 16'"),
    Case(("--song", "song 150"), "kind = 'arrival' AND song = 'song 150'"),
    Case(("--pedal", "pedal 16"), "pedal = 'pedal 16'"),
    Case(("--slow", "40"), "kind IN ('press', 'track') AND number > 40000"),
    Case(("--since", "32:30:00"), f"at >= {117_000 * 10**9}"),
    Case(("--song", "song 150", "--listener", "player 3"), "kind = 'arrival' AND song = 'song 150'"),
    Case(("--pedal", "pedal 3", "--slow", "40", "--json"), "pedal = 'pedal 3' AND number > 40000"),
    Case(("--listener", "plaier 16"), "who = 'plaier 16' OR listener = 'plaier 16'"),
)
"""The last is a name that is not there, so that every name is looked up."""


def night() -> Iterator[list[Row]]:
    """What each press of the night came to: most nudge one level, some are refused, and now and then one brings the
    next place and moves a hundred levels. Few are of the last player."""
    chance = random.Random(SEED)
    at, made, press, song = 0, 0, 0, 0
    while made < ROWS:
        press += 1
        at += chance.randrange(1, 4_000_000_000)
        who = min(int(chance.expovariate(0.4)), LISTENERS - 1)
        player, pedal = f"player {who + 1}", f"pedal {who + 1}"
        number = int(chance.expovariate(1 / 4_000)) + 300
        draw = chance.random()
        if draw < 0.05:
            rows = [Row(at, "refusal", press, who=player, what="up", pedal=pedal, control="A", detail="too soon")]
        else:
            what = "next" if draw < 0.2 else "nudge"
            rows = [Row(at, "press", press, player, what, pedal, "A", "press", number=number)]
            if what == "next":
                song = (song + (chance.random() < 0.25)) % SONGS
                rows.append(Row(at, "arrival", press, song=f"song {song + 1}", section=f"part {press % 5}"))
            for _ in range(100 if what == "next" else 1):
                level = -chance.randrange(3_000)
                mix = f"player {chance.randrange(LISTENERS - 1) + 1}" if what == "next" else player
                column = f"input {chance.randrange(INPUTS) + 1}"
                rows.append(
                    Row(
                        at,
                        "change",
                        press,
                        player,
                        what,
                        None,
                        None,
                        None,
                        None,
                        None,
                        mix,
                        column,
                        level,
                        level + 100,
                        level + 100,
                    )
                )
        made += len(rows)
        yield rows


def write(path: Path) -> None:
    """The night's journal."""
    with Journal.create(path, Night(setlist="a big night", begun_us=WALL, program="0")) as journal:
        some: list[Row] = []
        for rows in night():
            some += rows
            if len(some) > 1_000:
                journal.write(some, WALL + some[-1].at // 1_000)
                some = []
        journal.write(some, WALL)


class Cost(NamedTuple):
    """Wall and processor time of a process, s, and the lines that it printed."""

    wall: float
    cpu: float
    lines: int


def least(*arguments: str) -> Cost:
    """The least of some runs."""
    runs = [_run(arguments) for _ in range(RUNS)]
    return Cost(min(run.wall for run in runs), min(run.cpu for run in runs), runs[0].lines)


def _run(arguments: tuple[str, ...]) -> Cost:
    with tempfile.TemporaryFile() as out:
        before = time.perf_counter()
        process = subprocess.Popen([sys.executable, *arguments], stdout=out, stderr=subprocess.DEVNULL)
        _, status, used = os.wait4(process.pid, 0)
        wall = time.perf_counter() - before
        process.returncode = os.waitstatus_to_exitcode(status)
        out.seek(0)
        return Cost(wall, used.ru_utime + used.ru_stime, out.read().count(b"\n"))


def main() -> None:
    """Print the table."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "big.night"
        write(path)
        print(f"{ROWS:,} rows, {path.stat().st_size / 1e6:.0f} MB; seconds of wall and (processor) time")
        print(f"{'':<42} lines    log           bare query")
        for what, arguments in (("Python alone", ("-c", "pass")), ("stagectl log --help", (*LOG, "--help"))):
            told(what, least(*arguments), None)
        for flags, where in CASES:
            found = least(*LOG, "--journal", str(path), *flags)
            told(" ".join(flags), found, least("-c", BARE, str(path), f"SELECT count(*) FROM story WHERE {where}"))


def told(what: str, one: Cost, bare: Cost | None) -> None:
    """A row."""
    beside = "" if bare is None else f"   {bare.wall:5.2f} ({bare.cpu:.2f})"
    print(f"{what:<42} {one.lines:>5}   {one.wall:5.2f} ({one.cpu:.2f}){beside}")


if __name__ == "__main__":
    main()
