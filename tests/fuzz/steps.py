"""Counting steps: how many lines run while something is done, the same on every machine, where time is not."""

from __future__ import annotations

import sys
from collections.abc import Callable
from types import FrameType
from typing import Any


def steps(run: Callable[[], object]) -> int:
    """The lines that run while this runs, calls into C not counted."""
    count = 0

    def line(frame: FrameType, event: str, arg: Any) -> Any:
        nonlocal count
        count += event == "line"
        return line

    before = sys.gettrace()
    sys.settrace(line)
    try:
        run()
    finally:
        sys.settrace(before)
    return count
