"""What a process holds: memory, open files, threads. Linux says it under /proc."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import NamedTuple


class Held(NamedTuple):
    """Memory in kB (resident set, and with what is shared counted by its part), open files, threads."""

    rss: int
    pss: int
    files: int
    threads: int


def held(pid: int) -> Held:
    """What the process holds now. Raises OSError where it has ended, or the system does not say."""
    here = Path(f"/proc/{pid}")
    rollup = dict(re.findall(r"^(\w+): +(\d+) kB", (here / "smaps_rollup").read_text(), re.MULTILINE))
    return Held(int(rollup["Rss"]), int(rollup["Pss"]), len(os.listdir(here / "fd")), len(os.listdir(here / "task")))


def offspring(pid: int) -> list[int]:
    """The process and all that it has started, and they."""
    parents: dict[int, list[int]] = {}
    for stat in Path("/proc").glob("[0-9]*/stat"):
        # One that has ended meanwhile is none.
        with suppress(OSError):
            # The name stands in parentheses and may have anything in it.
            head, _, rest = stat.read_text().rpartition(")")
            parents.setdefault(int(rest.split()[1]), []).append(int(head.split()[0]))
    out = [pid]
    for one in out:
        out += parents.get(one, [])
    return out


def with_page(pid: int) -> int:
    """The process of the page that this one has started. Raises LookupError where there is none."""
    for one in offspring(pid):
        with suppress(OSError):
            if b"stagectl.view.process" in Path(f"/proc/{one}/cmdline").read_bytes():
                return one
    raise LookupError("no process of the page")


@contextmanager
def waiting(code: str) -> Iterator[int]:
    """The number of a Python that has run this code, said a line, and waits."""
    command = (sys.executable, "-c", f"{code}\nprint(flush=True)\ninput()")
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        process.stdout.readline()
        yield process.pid
        process.communicate(b"\n")
