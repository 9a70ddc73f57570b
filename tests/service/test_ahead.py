"""The thread that plays before others: asked of the kernel, sched(7), in processes of their own."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest
from needs import unavailable

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="sched(7) is of Linux")

CODE = """
import os, resource, subprocess, sys, threading
from stagectl.service import ahead

limits = {{resource.RLIMIT_RTPRIO: ({most}, {most}), resource.RLIMIT_RTTIME: ({room}, {room})}}
resource.getrlimit = lambda which: limits[which]
went, why = ahead.go_ahead(), ahead.why_not()
own = (os.sched_getscheduler(0) & ~os.SCHED_RESET_ON_FORK, os.sched_getparam(0).sched_priority)
threads = []
thread = threading.Thread(target=lambda: threads.append(os.sched_getscheduler(0)))
thread.start(); thread.join()
child = subprocess.run([sys.executable, "-Sc", "import os; print(os.sched_getscheduler(0))"], capture_output=True)
print(went, why, own, threads[0], int(child.stdout), sep="|")
"""


def told(most: int, room: int) -> list[str]:
    """What a process says of itself, its limits being these; -1 is none."""
    code = CODE.format(most=most, room=room)
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return run.stdout.strip().split("|")


def may() -> bool:
    """Whether the kernel would let this user."""
    code = "import os; os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(1))"
    return subprocess.run([sys.executable, "-Sc", code], capture_output=True, check=False).returncode == 0


@pytest.mark.parametrize(("most", "room"), [(5, -1), (-1, -1), (1, 1_000_000)])
def test_where_it_is_allowed_the_thread_goes_ahead_and_nothing_that_it_starts(most: int, room: int) -> None:
    if not may():
        unavailable("this user may not ask for a real-time priority")
    assert told(most, room) == ["True", "None", f"({os.SCHED_FIFO}, 1)", str(os.SCHED_OTHER), str(os.SCHED_OTHER)]


@pytest.mark.parametrize(
    ("most", "room", "why"),
    [(0, -1, "`ulimit -r`) is 0; a line"), (5, 200_000, "200,000 µs"), (1, 999_999, "1,000,000")],
)
def test_where_it_is_not_it_says_why_and_stays(most: int, room: int, why: str) -> None:
    went, said, own, *_ = told(most, room)
    assert (went, own) == ("False", f"({os.SCHED_OTHER}, 0)") and why in said
