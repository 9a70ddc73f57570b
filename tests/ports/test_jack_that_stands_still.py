"""A JACK server that was stopped hangs whoever calls its library. Its state is the kernel's own word for it."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from jackd import jackd
from needs import needs

from stagectl.ports.jack import is_there, why_silent

LISTENS = """
import signal, socket, sys
with socket.socket(socket.AF_UNIX) as one:
    one.bind(sys.argv[1])
    one.listen()
    print("ready", flush=True)
    signal.pause()
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
