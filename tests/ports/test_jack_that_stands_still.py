"""A JACK server that was stopped hangs whoever calls its library. Its state is the kernel's own word for it."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from jackd import jackd
from needs import needs

from stagectl.ports.jack import is_there, server_socket, which_server, why_silent

LISTENS = """
import signal, socket, sys
with socket.socket(socket.AF_UNIX) as one:
    one.bind(sys.argv[1])
    one.listen()
    print("ready", flush=True)
    signal.pause()
"""
RING = 16 * 1024
"""Bytes that the driver's ring holds (JACK_RINGBUFFER_SIZE in RtMidi.cpp of python-rtmidi 1.5)."""

BRIMMING = f"""
import os, signal, sys
from pathlib import Path
import rtmidi
from stagectl.errors import DeviceError
from stagectl.ports.midi import MidiSystem

system = MidiSystem("jack")
desk = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, name="desk")
desk.open_virtual_port("in")
(name,) = [name for name in system.outputs() if "desk" in name]
port = system.open_out(name)
for _ in range({4 * RING} // 8):
    port.send(bytes((0xF0, 1, 2, 0xF7)))
print({4 * RING})
os.kill(int(sys.argv[1]), signal.SIGSTOP)
stands = [one / "stat" for one in Path("/proc", sys.argv[1], "task").iterdir()]
while any(one.read_text().rpartition(")")[2].split()[0] != "T" for one in stands):
    pass
went = 0
try:
    while went < {4 * RING}:
        port.send(bytes((0xF0, 1, 2, 0xF7)))
        went += 8
except DeviceError as error:
    print(went, error, flush=True)
# Who lets go of a client waits for the server.
os.kill(int(sys.argv[1]), signal.SIGCONT)
port.close()
system.close()
"""
BEGINS = """
import os, sys
from jackd import jackd
from stagectl.ports.midi import MidiSystem

class Reached(MidiSystem):
    def _client(self, kind, name):
        self.server = jackd(sys.argv[1], frames=256)
        self.process = self.server.__enter__()
        return super()._client(kind, name)

system = Reached("jack")
print(system.answers)
system.process.kill()
system.process.wait(10)
print(system.answers, flush=True)
system.server.__exit__(None, None, None)
# A client of a server that died must not be closed.
os._exit(0)
"""
UNIX = pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="needs Linux's /proc")


@pytest.fixture
def server(tmp_path: Path) -> Iterator[tuple[str, subprocess.Popen[str]]]:
    """Something that listens where a JACK server would."""
    path = str(tmp_path / "a (server) socket")
    with subprocess.Popen([sys.executable, "-c", LISTENS, path], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
        yield path, process
        process.kill()


@UNIX
def test_one_that_runs_may_answer(server: tuple[str, subprocess.Popen[str]]) -> None:
    assert why_silent(server[0]) is None
    assert is_there(server[0])


@UNIX
def test_one_that_was_stopped_is_told_with_its_process(server: tuple[str, subprocess.Popen[str]]) -> None:
    path, process = server
    process.send_signal(signal.SIGSTOP)
    os.waitpid(process.pid, os.WUNTRACED)
    assert why_silent(path) == f"its server, process {process.pid}, was stopped"
    # It may go on the next moment: what is connected to it is not lost.
    assert is_there(path)


@UNIX
def test_one_that_stands_still_for_long_holds_nobody_up(server: tuple[str, subprocess.Popen[str]]) -> None:
    """The system keeps so many connections for it; the next one would wait (listen(2), backlog)."""
    path, process = server
    process.send_signal(signal.SIGSTOP)
    os.waitpid(process.pid, os.WUNTRACED)
    said = [why_silent(path) for _ in range(5_000)]
    assert said[-1] == "its server takes nothing any more"
    assert set(said) == {f"its server, process {process.pid}, was stopped", said[-1]}
    assert is_there(path)


@UNIX
def test_one_that_comes_back_between_two_looks_is_another_one(tmp_path: Path) -> None:
    path = tmp_path / "server"
    assert which_server(None) is None and which_server(str(path)) is None
    seen = set()
    for _ in range(3):
        with socket.socket(socket.AF_UNIX) as one:
            one.bind(str(path))
            seen.add(which_server(str(path)))
            # The next one's socket need not have another number on the disk: this one is kept.
            path.rename(tmp_path / f"was {len(seen)}")
    assert len(seen) == 3 and None not in seen


@UNIX
def test_one_that_died_is_gone(server: tuple[str, subprocess.Popen[str]]) -> None:
    path, process = server
    process.kill()
    process.wait()
    assert why_silent(path) == "its server is not there"
    assert not is_there(path)


@pytest.mark.ports
def test_ports_says_so_instead_of_hanging(monkeypatch: pytest.MonkeyPatch) -> None:
    needs("jackd")

    monkeypatch.setenv("JACK_DEFAULT_SERVER", "still")
    with jackd("still", frames=512) as process:
        process.send_signal(signal.SIGSTOP)
        command = [sys.executable, "-m", "stagectl", "ports"]
        env = {**os.environ, "JACK_DEFAULT_SERVER": "still"}
        try:
            told = subprocess.run(command, capture_output=True, text=True, timeout=60, env=env, check=False)
        finally:
            process.send_signal(signal.SIGCONT)
    assert f"process {process.pid}, was stopped" in told.stdout + told.stderr


@pytest.mark.ports
def test_one_that_begins_while_it_is_reached_can_die(monkeypatch: pytest.MonkeyPatch) -> None:
    needs("jackd", "jack_wait")
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "begins")
    # One that was killed, as here in the end, leaves its socket behind.
    left = server_socket()
    assert left is not None
    Path(left).unlink(missing_ok=True)
    tests = Path(__file__).resolve().parents[1]
    env = {**os.environ, "PYTHONPATH": os.pathsep.join(map(str, (tests, tests.parent)))}
    command = [sys.executable, "-c", BEGINS, "begins"]
    told = subprocess.run(command, capture_output=True, text=True, timeout=60, env=env, check=False)
    assert told.stdout.split() == ["True", "False"], told.stderr


@pytest.mark.ports
def test_a_port_takes_what_it_can_and_never_hangs(monkeypatch: pytest.MonkeyPatch) -> None:
    """More than its ring holds goes through one that runs; into one that was stopped no more than the ring holds."""
    needs("jackd", "jack_wait")
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "brimming")
    with jackd("brimming", frames=256) as process:
        env = {**os.environ, "PYTHONPATH": str(Path(__file__).resolve().parents[2])}
        command = [sys.executable, "-X", "faulthandler", "-c", BRIMMING, str(process.pid)]
        try:
            told = subprocess.run(command, capture_output=True, text=True, timeout=60, env=env, check=False)
        finally:
            process.send_signal(signal.SIGCONT)
    assert told.returncode == 0, told.stderr
    went, refused = told.stdout.splitlines()
    assert int(went) == 4 * RING
    assert "takes no more bytes" in refused and int(refused.split()[0]) <= RING
