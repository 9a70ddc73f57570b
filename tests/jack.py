"""A JACK server for the tests: the one that runs, else one of our own with no sound card and no real-time priority."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager

import pytest
from needs import unavailable

from stagectl.errors import DeviceError
from stagectl.ports.midi import MidiSystem

_SERVER = os.environ.get("JACK_DEFAULT_SERVER", "default")
_COMMAND = ("jackd", "--no-realtime", "-n", _SERVER, "-d", "dummy", "-r", "48000", "-p")
_FRAMES = 512
"""A long period: JACK loses MIDI when it is late, and with no real-time priority a short one often is."""
_STARTS_S = 10


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
def running_jack(frames: int = _FRAMES) -> Iterator[MidiSystem]:
    """JACK's MIDI; a server that had to be started (with so many frames a period) is stopped in the end. Raises
    DeviceError where none can be had."""
    os.environ["JACK_NO_START_SERVER"] = "1"
    started = None
    try:
        try:
            system = MidiSystem("jack")
        except DeviceError as error:
            if shutil.which("jackd") is None or shutil.which("jack_wait") is None:
                raise DeviceError(f"{error}, and jackd is not installed here") from error
            started = subprocess.Popen((*_COMMAND, str(frames)), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
            subprocess.run(("jack_wait", "-w", "-t", str(_STARTS_S)), capture_output=True, check=False)
            system = MidiSystem("jack")
        try:
            yield system
        finally:
            system.close()
    finally:
        if started is not None:
            started.terminate()
            started.wait(_STARTS_S)
