"""A port that is flooded may be let go of, again and again: the driver's thread neither meets what is gone nor is ended
while it waits for Python. In a process of its own, since what goes wrong there ends or hangs it."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from jack import may_be_urgent
from jackd import jackd
from needs import needs, patience

ROUNDS = 25

FLOODED = """
import gc, sys, threading, time
import rtmidi
from stagectl.ports.midi import MidiSystem

system = MidiSystem("jack")
flood = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name="flood")
flood.open_virtual_port("out")
over, heard = threading.Event(), []

def pour():
    while not over.wait(0.001):
        for _ in range(8):
            flood.send_message([0xB0, 1, 1])

pouring = threading.Thread(target=pour)
pouring.start()
for _ in range(int(sys.argv[1])):
    (name,) = [name for name in system.inputs() if "flood" in name]
    met = threading.Event()
    port = system.open_in(name, lambda packet, at: met.set())
    heard.append(met.wait(1))
    # As a night does when it is ready.
    gc.freeze()
    port.close()
over.set()
pouring.join()
print(sum(heard))
"""


@pytest.mark.ports
@pytest.mark.slow
def test_a_port_is_let_go_of_in_a_flood(monkeypatch: pytest.MonkeyPatch) -> None:
    needs("jackd", "jack_wait")
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "flooded")
    monkeypatch.setenv("JACK_NO_START_SERVER", "1")
    root = str(Path(__file__).resolve().parents[2])
    with jackd("flooded", frames=256, realtime=may_be_urgent()):
        run = subprocess.run(
            [sys.executable, "-X", "faulthandler", "-c", FLOODED, str(ROUNDS)],
            capture_output=True,
            text=True,
            timeout=patience(60),
            env={**os.environ, "PYTHONPATH": root},
            check=False,
        )
    assert run.returncode == 0, run.stderr
    # JACK may lose some, but a port that hears nothing in a second is deaf.
    assert int(run.stdout) > ROUNDS // 2
