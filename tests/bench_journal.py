"""What the journal costs: `python tests/bench_journal.py`. It prints figures and judges nothing.

- a press, from the driver's callback to the desk's port, with the journal on and with it off, in turns;
- the same on a disk that takes 50 ms over everything it is asked for, and on one that is full;
- how much a change adds to the file: a night of presses that change one level, and of scenes that change many.
"""

from __future__ import annotations

import argparse
import json
import sqlite3
import tempfile
import threading
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import Any, Final, NamedTuple

from bench_latency import row, write_show
from bench_parts.figures import median, p99
from inside import HEAD, NoRecord, in_turns
from recorded import Recorded

from stagectl.journal.record import Recorder, begin
from stagectl.journal.write import BUSY_S, connect
from stagectl.rehearse.script import read_script
from stagectl.show.compile import compile_show
from stagectl.show.load import load_show
from stagectl.where import shipped

SLOW_S: Final = 0.05


class SlowDisk(sqlite3.Connection):
    """Takes its time over everything, and lets others work meanwhile, as a disk does."""

    def execute(self, sql: str, parameters: Any = (), /) -> sqlite3.Cursor:
        threading.Event().wait(SLOW_S)
        return super().execute(sql, parameters)

    def executemany(self, sql: str, parameters: Any, /) -> sqlite3.Cursor:
        threading.Event().wait(SLOW_S)
        return super().executemany(sql, parameters)


def slow(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(path, timeout=BUSY_S, isolation_level=None, factory=SlowDisk, check_same_thread=False)


def full(path: Path) -> sqlite3.Connection:
    """SQLite on a disk that has no page left once the journal is begun."""
    connection = connect(path)
    connection.execute("PRAGMA max_page_count = 12").fetchone()
    return connection


def silent(_: str | None) -> None:
    """Trouble is what this is about."""


def cost(presses: int) -> None:
    """A press with the journal in its ways, beside one without."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_show(folder)
        lanes = {
            "no journal": NoRecord,
            "journal": lambda: begin(folder / "usual.night", HEAD, silent),
            "slow disk": lambda: begin(folder / "slow.night", HEAD, silent, connect=slow),
            "full disk": lambda: begin(folder / "full.night", HEAD, silent, connect=full),
        }
        taken = dict(zip(lanes, in_turns(folder, "switch-pair", [*lanes.values()], presses), strict=True))
    print(f"callback → desk's port, {presses} presses each, in turns")
    for lane, times in taken.items():
        print(row(lane, times))
    bare = taken["no journal"]
    for lane, times in taken.items():
        if times is not bare:
            ratio = median(times) / median(bare)
            print(f"  {lane}: median {ratio:.2f} times that without, 99th percentile {more(times, bare):+.2f} ms")


def more(times: Sequence[int], bare: Sequence[int]) -> float:
    """By how much the 99th percentile is higher, ms."""
    return (p99(times) - p99(bare)) / 1e6


class Grown(NamedTuple):
    """What a night's changes and all that led to them took: how many changes, bytes of the journal, and bytes of its
    rows as lines of JSON."""

    changes: int
    taken: int
    as_lines: int


def grown(name: str, times: int = 20) -> Grown:
    """A demo night, played over and over."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "grows.night"
        empty = size_of(begin(Path(folder) / "empty.night", HEAD, silent))
        recorder = begin(path, HEAD, silent)
        changes = played(name, recorder, times)
        taken = size_of(recorder) - empty
        with closing(sqlite3.connect(path)) as journal:
            # What is empty is left out.
            rows = journal.execute("SELECT * FROM story").fetchall()
            lines = sum(len(json.dumps([one for one in row if one is not None])) + 1 for row in rows)
    return Grown(changes, taken, lines)


def growth() -> None:
    """Bytes of the file a change, for the demo nights."""
    for name in ("nine-songs", "three-songs"):
        one = grown(name)
        print(f"{name}: {one.changes:,} changes and all that led to them take {one.taken / one.changes:.0f} bytes each")


def played(name: str, recorder: Recorder, times: int = 20) -> int:
    """Play a demo's script so often. Returns how many changes that made."""
    show = load_show(shipped("setlists") / name)
    compiled = compile_show(show)
    presses = read_script(show.folder / "presses.yaml", compiled.plan)
    changes = 0
    for _ in range(times):
        room = Recorded(show, compiled, recorder)
        for _ in room.play(presses):
            pass
        changes += room.changes
    return changes


def size_of(recorder: Recorder) -> int:
    recorder.go()
    recorder.close()
    return recorder.path.stat().st_size


def main(arguments: Any = None) -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--presses", type=int, default=2000)
    given = parser.parse_args(arguments)
    cost(given.presses)
    growth()


if __name__ == "__main__":
    main()
