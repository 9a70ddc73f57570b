"""How long `stagectl report` and `stagectl nights` take, and how much memory, on a journal of a million rows.

The night is made up by a seed: 60 songs of a big show (16 listeners, 32 inputs), gone through again and again with
scenes, nudges, treadles and refusals. Beside the commands, in the same run, stand bare passes over the same file:
Python's sqlite3 alone, fetching every row and doing nothing with it.

    python tests/bench_report.py [ROWS]

Each figure is the least of some runs, of whole processes, as in `bench_check.py`; memory is the most that a process
held (its resident set, by getrusage of the child).
"""

from __future__ import annotations

import os
import random
import sys
import tempfile
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Final

from bench_check import cost, told
from bench_parts.program import keep_compiled
from big_shows import Size, write_big

from stagectl.core.effects import Reason
from stagectl.journal.schema import Night
from stagectl.journal.write import Journal
from stagectl.show.load import Show, load_show
from stagectl.story.rows import Row

ROWS: Final = 1_000_000
SEED: Final = 20
BEGUN_US: Final = 1_795_636_800_000_000
MS: Final = 1_000_000

BARE: Final = """
import sqlite3, sys
for _ in sqlite3.connect(sys.argv[1]).execute("SELECT * FROM story ORDER BY id"): pass
"""
BARE_SHOW: Final = """
import sys
from pathlib import Path
from stagectl.cli.common import load
load(Path(sys.argv[1]), None)
"""


def presses(show: Show, chance: random.Random, rows: int) -> Iterator[list[Row]]:
    """What one press after the other brings, until there are so many rows."""
    listeners = [one.name for one in show.rig.listeners]
    inputs = [one.name for one in show.rig.inputs]
    songs = [song.name for song in show.setlist.songs]
    reasons = [reason.value for reason in Reason]
    at, press, made = 0, 0, 0
    yield [Row(0, "link", who="desk", what="here")]
    while made < rows:
        press += 1
        at += chance.randrange(50 * MS, 900 * MS)
        who = chance.choice(listeners)
        some = [Row(at, "press", press, who, "next", "pedal 1", "two", "press", number=chance.randrange(150, 9_000))]
        if chance.random() < 0.1:
            some.append(Row(at, "refusal", press, who, "next", "pedal 1", "two", detail=chance.choice(reasons)))
        elif chance.random() < 0.3:
            some.append(Row(at, "arrival", press, song=songs[press // 40 % len(songs)]))
            some += [
                _change(chance, at, press, who, "next", listeners, inputs) for _ in range(chance.randrange(60, 240))
            ]
        else:
            some += [_change(chance, at, press, who, "nudge", listeners, inputs) for _ in range(chance.randrange(1, 4))]
        made += len(some)
        yield some
    yield [Row(at, "end")]


def _change(
    chance: random.Random, at: int, press: int, who: str, what: str, listeners: list[str], inputs: list[str]
) -> Row:
    level = -chance.randrange(4_000)
    whose, which = chance.choice(listeners), chance.choice(inputs)
    row = Row(at, "change", press, who, what, listener=whose, input=which)
    return row._replace(before=level - 100, after=level, sent=level)


def main() -> None:
    """Print the table."""
    rows = int(sys.argv[1]) if len(sys.argv) > 1 else ROWS
    with tempfile.TemporaryDirectory() as folder:
        setlist = write_big(Path(folder) / "show", Size())
        show = load_show(setlist)
        os.environ["STATE_DIRECTORY"] = folder
        keep_compiled(Path(folder))
        path = Path(folder) / "nights" / "2026-11-25T20-00-00.night"
        head = Night(setlist=show.setlist.title, begun_us=BEGUN_US, program="bench")
        made = 0
        with closing(Journal.create(path, head)) as journal:
            for some in presses(show, random.Random(SEED), rows):
                journal.write(some, BEGUN_US + some[0].at // 1000)
                made += len(some)
        print(f"{made:,} rows, {path.stat().st_size / 1e6:.0f} MB, seed {SEED}")
        print(f"{'':<40}   wall       cpu      memory")
        told("sqlite3 alone, every row", cost("-c", BARE, str(path)))
        page = str(Path(folder) / "night.html")
        told("report", cost("-m", "stagectl", "report", str(path), "-o", page))
        print(f"  the page: {Path(page).stat().st_size / 1e6:.2f} MB")
        told("the show alone, loaded", cost("-c", BARE_SHOW, str(setlist)))
        told("report --setlist", cost("-m", "stagectl", "report", str(path), "--setlist", str(setlist), "-o", page))
        told("nights", cost("-m", "stagectl", "nights"))


if __name__ == "__main__":
    main()
