"""The end of `ready` alone, where closing a port hangs in some way, for whoever looks at how it ends."""

from __future__ import annotations

import ctypes
import sys
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Final
from unittest.mock import patch

from stagectl.cli import ready
from stagectl.ready.room import Machine


def _fails() -> None:
    raise OSError("it fails")


HANGS: Final[dict[str, Callable[[], None]]] = {
    # `PyDLL` calls a function of C's with Python's lock, which a driver may never give back.
    "with Python's lock": lambda: ctypes.PyDLL(None).sleep(3600),
    "without it": lambda: ctypes.CDLL(None).sleep(3600),
    "not at all": lambda: None,
    "it fails": _fails,
}


def main() -> None:
    """`HANGS CODE`."""
    patch.object(ready, "CLOSES_S", 0.02).start()
    machine = Machine(setlist=Path("x"), now=datetime.now().astimezone())
    machine.afterwards.append(HANGS[sys.argv[1]])
    print("told")
    ready._end(int(sys.argv[2]), machine)


if __name__ == "__main__":
    main()
