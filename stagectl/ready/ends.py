"""An end that nothing can hold up, with the exit code that it is to have.

A library that is called with Python's lock and never gives it back stops every line of Python, and with it everything
that could end the process; `faulthandler` still can, but always with the exit code 1. On Linux a timer of the C library
calls a function of its own in a thread of its own (timer_create(2), `SIGEV_THREAD`), and `_exit` is such a function:
what it is given is the exit code.

Source of the layouts: sigevent(3type), timer_settime(2), as the headers <signal.h> and <time.h> of Linux have them.
"""

from __future__ import annotations

import ctypes
import faulthandler
import sys
import time
from contextlib import suppress
from typing import Any, Final, TextIO

SIGEV_THREAD: Final = 2
LIBRARIES: Final = (None, "librt.so.1")
"""Where timers are: in the C library, or beside it, where that is older than glibc 2.34."""


class Event(ctypes.Structure):
    """`struct sigevent`. `value`: a pointer, which is as long as the union that it stands for; the room behind it is
    for what other kinds of events need."""

    _fields_ = [
        ("value", ctypes.c_void_p),
        ("signo", ctypes.c_int),
        ("notify", ctypes.c_int),
        ("function", ctypes.c_void_p),
        ("attributes", ctypes.c_void_p),
        ("rest", ctypes.c_byte * 64),
    ]


class Times(ctypes.Structure):
    """`struct itimerspec`: how often again, and when first."""

    _fields_ = [(name, ctypes.c_long) for name in ("again_s", "again_ns", "first_s", "first_ns")]


def end_within(seconds: float, code: int, nowhere: TextIO) -> bool:
    """Have the process end by then with an exit code, 0 to 255, whatever happens to Python. Returns whether it will be
    that one; it is 1 where the system has no such timers. `nowhere`: an open file that takes what is said then."""
    if sys.platform.startswith("linux"):
        for library in LIBRARIES:
            with suppress(OSError, AttributeError):
                if _timed(ctypes.CDLL(library), seconds, code):
                    return True
    faulthandler.dump_traceback_later(seconds, exit=True, file=nowhere)
    return False


def _timed(library: Any, seconds: float, code: int) -> bool:
    """Begin such a timer. Raises AttributeError where the library has none."""
    create, begin = library.timer_create, library.timer_settime
    begin.argtypes = (ctypes.c_void_p, ctypes.c_int, ctypes.POINTER(Times), ctypes.c_void_p)
    ends = ctypes.cast(ctypes.CDLL(None)._exit, ctypes.c_void_p)
    event = Event(value=code, notify=SIGEV_THREAD, function=ends)
    timer = ctypes.c_void_p()
    if create(time.CLOCK_MONOTONIC, ctypes.byref(event), ctypes.byref(timer)) != 0:
        return False
    whole, part = divmod(round(seconds * 1e9), 1_000_000_000)
    # A time of 0 would be no time at all.
    times = Times(first_s=whole, first_ns=max(part, 0 if whole else 1))
    return bool(begin(timer, 0, ctypes.byref(times), None) == 0)
