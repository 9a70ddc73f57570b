"""The thread that plays goes before those of other programs, where the user may do so.

The kernel gives a thread of the policy `SCHED_FIFO` the processor before every ordinary one, sched(7). It is asked for
with the lowest priority of that kind, so that sound servers and their clients go before it; without root, where the
user's limit allows it (`ulimit -r`); and never for anything that the thread starts (`SCHED_RESET_ON_FORK`). The thread
waits for whatever comes next, and never turns in place. The kernel still leaves other programs their share
(`sched_rt_runtime_us`), and the watchdog sees to a loop that stands still.
"""

from __future__ import annotations

import os
import sys
from typing import Final

PRIORITY: Final = 1
"""Of the real-time priorities, 1 to 99, the lowest."""

ROOM_US: Final = 1_000_000
"""A user may be allowed to compute only for so long without a wait at such a priority (`RLIMIT_RTTIME`), µs, and is
killed beyond it. Where it is less than this, it is not asked for: the program stops for longer at times, to collect
what it has used up."""

ALLOW: Final = "a line `@audio - rtprio 95` in /etc/security/limits.d, and the user in the group `audio`, allow it"

if sys.platform == "linux":
    import resource

    def why_not() -> str | None:
        """Why the thread cannot go before others; None where it can."""
        most, _ = resource.getrlimit(resource.RLIMIT_RTPRIO)
        if most != resource.RLIM_INFINITY and most < PRIORITY:
            return f"the limit of real-time priorities (`ulimit -r`) is {most}; {ALLOW}"
        room, _ = resource.getrlimit(resource.RLIMIT_RTTIME)
        if room != resource.RLIM_INFINITY and room < ROOM_US:
            return f"the limit of real-time computing is {room:,} µs, and has to be {ROOM_US:,} or more"
        return None

    def go_ahead() -> bool:
        """Have the calling thread go before others, where that is allowed. Returns whether it does."""
        if why_not() is not None:
            return False
        try:
            os.sched_setscheduler(0, os.SCHED_FIFO | os.SCHED_RESET_ON_FORK, os.sched_param(PRIORITY))
        except OSError:
            # A sandbox, or a group of processes that has no share of it.
            return False
        return True

else:

    def why_not() -> str | None:
        """Why the thread cannot go before others; None where it can."""
        return "only Linux is asked for it"

    def go_ahead() -> bool:
        """Have the calling thread go before others, where that is allowed. Returns whether it does."""
        return False
