"""May the night go before other programs? By the limits that `run` itself goes by (`service/ahead.py`)."""

from __future__ import annotations

import sys
from typing import Final

from stagectl.ready.finding import Finding, fine, look, unknown
from stagectl.ready.room import Machine

PRIORITY: Final = "priority"

MEMORY: Final = "memory need not be locked"


def rights(_: Machine) -> list[Finding]:
    """The limits of this user."""
    from stagectl.service.ahead import why_not

    return [judged(why_not(), asked=sys.platform == "linux")]


def judged(why: str | None, *, asked: bool) -> Finding:
    """What is to be said of that. `why`: why it may not; None where it may; `asked`: whether this system is asked for
    it at all."""
    if not asked:
        return unknown(PRIORITY, f"{why}; {MEMORY}")
    if why is None:
        return fine(PRIORITY, f"the night may go before other programs; {MEMORY}")
    return look(PRIORITY, f"{why.partition(';')[0]}; {MEMORY}", _do(why))


def _do(why: str) -> str:
    how = why.partition("; ")[2]
    return f"{how or 'have it raised'}, from the next login on; without it a busy machine may make presses wait"
