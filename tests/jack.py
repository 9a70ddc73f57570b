"""A JACK server for the tests: the one that runs, else one of our own with no sound card."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from typing import Final

import pytest
from jackd import jackd
from needs import unavailable

from stagectl.errors import DeviceError
from stagectl.ports.midi import MidiSystem

_SERVER = os.environ.get("JACK_DEFAULT_SERVER", "default")
_FRAMES = 512
"""A long period: JACK loses MIDI when it is late, and with no real-time priority a short one often is."""

_IS_URGENT: Final = "import os; os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(1))"


def may_be_urgent() -> bool:
    """Whether our processes may have real-time priority; tried by one that ends at once."""
    return subprocess.run([sys.executable, "-S", "-c", _IS_URGENT], capture_output=True, check=False).returncode == 0


@pytest.fixture(scope="session")
def jack_server() -> Iterator[MidiSystem]:
    """JACK's MIDI, for as long as the tests run."""
    with ExitStack() as stack:
        try:
            system = stack.enter_context(running_jack())
        except DeviceError as error:
            unavailable(str(error))
        yield system


@contextmanager
def running_jack(frames: int = _FRAMES, *, realtime: bool | None = None, waits: bool = True) -> Iterator[MidiSystem]:
    """JACK's MIDI; a server that had to be started (with so many frames a period, with or without real-time priority,
    where nothing is said with it if it may; `waits`: in each for all clients) is stopped in the end. Raises DeviceError
    where none can be had."""
    os.environ["JACK_NO_START_SERVER"] = "1"
    with ExitStack() as stack:
        try:
            system = MidiSystem("jack")
        except DeviceError as error:
            if shutil.which("jackd") is None or shutil.which("jack_wait") is None:
                raise DeviceError(f"{error}, and jackd is not installed here") from error
            urgent = may_be_urgent() if realtime is None else realtime
            stack.enter_context(jackd(_SERVER, frames=frames, realtime=urgent, waits=waits))
            system = MidiSystem("jack")
        yield system
        # A client of a server that died must not be closed.
        if system.answers:
            system.close()
