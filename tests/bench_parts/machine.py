"""On what kind of machine something was measured. No names."""

from __future__ import annotations

import os
import platform
import re
import tempfile
import time
from pathlib import Path


def processor() -> str:
    """The model, as the system tells it."""
    with_models = Path("/proc/cpuinfo")
    text = with_models.read_text() if with_models.exists() else ""
    found = re.search(r"^model name\s*:\s*(.+)$", text, re.MULTILINE)
    return found[1].strip() if found else platform.machine()


def kind_of_disk(folder: Path) -> str:
    """The kind of file system that a folder is on (proc(5), mounts)."""
    mounts = Path("/proc/self/mounts")
    rows = [line.split() for line in mounts.read_text().splitlines()] if mounts.exists() else []
    over = [(len(row[1]), row[2]) for row in rows if folder.resolve().is_relative_to(row[1])]
    return max(over, default=(0, "a disk"))[1]


def machine() -> list[str]:
    """Lines about the machine, the system, the date and what else it does."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    journals = kind_of_disk(Path(tempfile.gettempdir()))
    day = time.strftime("%Y-%m-%d")
    busy = os.getloadavg()[0] if hasattr(os, "getloadavg") else 0.0
    return [
        f"{day}: {cores} cores, {processor()}, {platform.system()} {platform.release()}, "
        f"{platform.python_implementation()} {platform.python_version()}, journals on {journals}",
        f"load before the first figure: {busy:.2f}" + (" (BUSY: these figures mean little)" if busy > BUSY else ""),
    ]


BUSY = 0.5
"""A load from which on figures mean little."""
