"""Python, begun anew for a part of the program."""

from __future__ import annotations

import sys


def runs(module: str) -> list[str]:
    """The beginning of a command that runs a module. What lies in the present folder is never taken for a library
    (`-P`): a show may come from anybody."""
    return [sys.executable, "-P", "-m", module]
