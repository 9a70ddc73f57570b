"""The JACK server is killed in the middle of the night, and comes back: everything that was on it is gone, then here
again, the desk is asserted whole, and nothing hangs."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import AbstractContextManager, closing, contextmanager
from pathlib import Path

import pytest
from jackd import jackd
from lines import Program, running
from needs import needs
from nights import playing, quick_copy

from stagectl.journal.read import open_read, rows

pytestmark = [pytest.mark.ports, pytest.mark.slow]

FOOT = """
import sys, rtmidi
out = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name="feet drum pedal")
out.open_virtual_port("out")
print("ready", flush=True)
for line in sys.stdin:
    out.send_message([0xB0, 80, 127])
    out.send_message([0xB0, 80, 0])
"""


def server() -> AbstractContextManager[subprocess.Popen[bytes]]:
    """A JACK server of our own; the test kills it."""
    return jackd(os.environ["JACK_DEFAULT_SERVER"], frames=512)


@contextmanager
def stage() -> Iterator[tuple[Program, Program]]:
    """A pedal and the desk's judge, as processes of their own."""
    dump = Program(["stdbuf", "-oL", "jack_midi_dump", "mortal-desk"])
    try:
        with running(sys.executable, "-c", FOOT) as foot:
            assert foot.line() == "ready"
            yield foot, dump
    finally:
        dump.close()


def press(foot: Program, daemon: Program, wanted: str) -> None:
    """A press, again where JACK lost it, until the daemon tells the line that is wanted."""
    for _ in range(5):
        foot.say("press")
        try:
            while wanted not in daemon.line(2):
                pass
        except TimeoutError:
            continue
        return
    raise AssertionError(f"no line with {wanted!r}")


def test_a_server_that_dies_and_comes_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    needs("jackd", "jack_wait", "jack_midi_dump", "stdbuf")
    # Always the same name: a killed server leaves its place in the registry taken, until one of that name comes.
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "mortal")
    monkeypatch.setenv("JACK_NO_START_SERVER", "1")
    show = quick_copy("nine-songs", tmp_path, **{"port: desk": "port: mortal-desk"})
    with playing(show, tmp_path / "n.night", "--midi-api", "jack") as daemon:
        daemon.until(lambda line: line.startswith("ready"))
        with server() as first, stage() as (foot, _):
            daemon.until(lambda line: "desk is at" in line)
            press(foot, daemon, "80 levels of 5 listeners")
            first.kill()
            first.wait(10)
            daemon.until(lambda line: "drum pedal is gone" in line)
            daemon.until(lambda line: "desk is gone" in line)
        with server(), stage() as (foot, judge):
            daemon.until(lambda line: "drum pedal is here" in line)
            daemon.until(lambda line: "desk is here" in line)
            # The desk may have lost everything: all its eighty levels are said again.
            heard = {judge.line().split(":", 1)[1][:6] for _ in range(78)}
            assert len(heard) > 70
            press(foot, daemon, "last chorus")
            daemon.process.send_signal(signal.SIGTERM)
            assert daemon.process.wait(10) == 0


def test_a_night_that_ends_before_a_server_that_stands_still_is_kept_and_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Who lets go of a client waits for its server; nothing else of the end does."""
    needs("jackd", "jack_wait", "jack_midi_dump", "stdbuf")
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "mortal")
    monkeypatch.setenv("JACK_NO_START_SERVER", "1")
    show, night = quick_copy("nine-songs", tmp_path, **{"port: desk": "port: mortal-desk"}), tmp_path / "n.night"
    with server() as jack, stage() as (foot, _), playing(show, night, "--midi-api", "jack") as daemon:
        daemon.until(lambda line: "desk is at" in line)
        press(foot, daemon, "80 levels of 5 listeners")
        jack.send_signal(signal.SIGSTOP)
        try:
            daemon.process.send_signal(signal.SIGTERM)
            daemon.until(lambda line: "`stagectl log` tells it" in line)
            with closing(open_read(night)) as journal:
                *_, (_, _, last) = rows(journal)
            assert last.kind == "end"
        finally:
            jack.send_signal(signal.SIGCONT)
        assert daemon.process.wait(10) == 0
