"""What Linux says of processes (proc(5)); tests that ask skip elsewhere."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

from needs import unavailable

PROC = Path("/proc")


def children(pid: int) -> dict[int, str]:
    """The commands, as they were typed, of those that a process has started and that live, by their numbers."""
    if not (PROC / "self" / "stat").exists():
        unavailable("needs Linux's /proc")
    found = {}
    for folder in PROC.glob("[0-9]*"):
        # Any of them may end meanwhile.
        with suppress(OSError):
            # The name stands in parentheses, and may hold some: state and parent come behind the last.
            state, parent = (folder / "stat").read_text().rpartition(")")[2].split()[:2]
            if int(parent) == pid and state not in "ZX":
                found[int(folder.name)] = (folder / "cmdline").read_bytes().replace(b"\0", b" ").decode().strip()
    return found
