"""The clock on the wall: the time zone of this machine, and a watch that notices when the clock is set.

A machine without a clock of its own begins wherever it was switched off, and is set when it finds a network; a clock
may be set by hand, and one that slept has its time jump. The monotonic clock knows nothing of all that, and neither do
the songs: only what people are reminded of follows the clock on the wall.
"""

from __future__ import annotations

import asyncio
import time
import warnings
from collections.abc import Callable
from datetime import datetime, tzinfo
from typing import Final

from stagectl.live.own_zone import own_zone

LOOK_S: Final = 1.0
"""Seconds between two looks at the clocks."""

GRACE_S: Final = 30
"""How late by the clock on the wall something may still be said or done, s: later it is missed."""

STEP_NS: Final = 1_000_000_000
"""What the clock on the wall may gain or lose between two looks, ns: no clock that is only corrected gains or loses a
thousandth of that (0.05 % is the most that Linux slews by: adjtimex(2))."""

ASIDE_NS: Final = 100_000_000
"""How long it may take to read both clocks, ns; where the process was stopped between them, the look counts for
nothing."""


def local_zone() -> tzinfo:
    """The time zone of this machine; its present offset alone, where its name cannot be found out."""
    found = own_zone(time.time())
    if found is not None:
        return found
    # It may have rules without a name, which tzlocal finds in thirty times as long.
    from tzlocal import get_localzone

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            return get_localzone()
        except (LookupError, ValueError, OSError):
            return _offset()


def _offset() -> tzinfo:
    zone = datetime.now().astimezone().tzinfo
    assert zone is not None
    return zone


class ClockWatch:
    """Compares the clock on the wall with the monotonic one. `stepped` is called with how far it was set forward
    (below 0: back), s."""

    def __init__(
        self,
        stepped: Callable[[float], None],
        wall_ns: Callable[[], int] = time.time_ns,
        monotonic_ns: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        self._stepped = stepped
        self._wall_ns = wall_ns
        self._monotonic_ns = monotonic_ns
        self._ahead: int | None = None

    def look(self) -> None:
        """One look. The first only takes note."""
        before = self._monotonic_ns()
        wall = self._wall_ns()
        after = self._monotonic_ns()
        if after - before > ASIDE_NS:
            return
        ahead, was = wall - before, self._ahead
        self._ahead = ahead
        if was is not None and abs(ahead - was) > STEP_NS:
            self._stepped((ahead - was) / 1e9)

    async def forever(self) -> None:
        """Look on and on, until cancelled."""
        self.look()
        while True:
            await asyncio.sleep(LOOK_S)
            self.look()
