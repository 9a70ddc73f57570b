"""How long `stagectl check` takes, and how much memory, on shows of 15, 60 and 240 songs.

They have 4 sections a song, 32 inputs, 16 mixes and 3 venues. Beside them, in the same run, stand bare baselines:
Python alone, Python with the libraries imported, and PyYAML's own C loader on the same setlist.

    python tests/bench_check.py

Each figure is the least of some runs, of whole processes: what other work on the machine adds only ever adds. Memory is
the most that a process held (its resident set).
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from itertools import pairwise
from pathlib import Path
from typing import Final, NamedTuple

from big_shows import Size, write_big

RUNS: Final = 5
SONGS: Final = (15, 60, 240)
BARE: Final = "pass"
IMPORTS: Final = "import click, yaml; from pydantic import BaseModel"
YAML: Final = """
import sys, yaml
yaml.load(open(sys.argv[1], "rb"), Loader=getattr(yaml, "CSafeLoader", yaml.SafeLoader))
"""

MEASURED: Final = """
import os, sys, time
quiet = [(os.POSIX_SPAWN_OPEN, 1, os.devnull, os.O_WRONLY, 0)]
began = time.perf_counter()
pid = os.posix_spawn(sys.executable, [sys.executable, *sys.argv[1:]], os.environ, file_actions=quiet)
_, status, used = os.wait4(pid, 0)
print(time.perf_counter() - began, used.ru_utime + used.ru_stime, used.ru_maxrss)
sys.exit(os.waitstatus_to_exitcode(status))
"""
"""Starts a process and measures it. It is a small one itself: on Linux the most that a process held counts what held
its place before it became what it is, which is whoever started it (getrusage(2), seen)."""


class Cost(NamedTuple):
    """Wall and processor time of a process, s, and its largest resident set, MB."""

    wall: float
    cpu: float
    memory: float


def cost(*arguments: str) -> Cost:
    """The least of some runs."""
    runs = [once(*arguments) for _ in range(RUNS)]
    return Cost(*(min(column) for column in zip(*runs, strict=True)))


def once(*arguments: str) -> Cost:
    """Of one run. Raises SystemExit where it fails."""
    run = subprocess.run([sys.executable, "-S", "-c", MEASURED, *arguments], stdout=subprocess.PIPE, check=False)
    if run.returncode:
        raise SystemExit(f"{' '.join(arguments)}: exit code {run.returncode}")
    wall, cpu, most = map(float, run.stdout.split())
    return Cost(wall, cpu, most / (1024**2 if sys.platform == "darwin" else 1024))


def told(what: str, one: Cost) -> None:
    """A row."""
    print(f"{what:<40} {one.wall:6.2f} s   {one.cpu:6.2f} s   {one.memory:6.0f} MB")


def main() -> None:
    """Print the table."""
    print(f"{'':<40}   wall       cpu      memory")
    told("Python alone", cost("-c", BARE))
    told("with pydantic, PyYAML and click imported", cost("-c", IMPORTS))
    with tempfile.TemporaryDirectory() as folder:
        found = {}
        for songs in SONGS:
            show = write_big(Path(folder) / str(songs), Size(songs=songs))
            told(f"{songs} songs: PyYAML's C loader alone", cost("-c", YAML, str(show / "setlist.yaml")))
            found[songs] = cost("-m", "stagectl", "check", str(show))
            told(f"{songs} songs: check", found[songs])
    for few, many in pairwise(SONGS):
        print(f"{many} songs take {found[many].cpu / found[few].cpu:.1f} times as long as {few}")


if __name__ == "__main__":
    main()
