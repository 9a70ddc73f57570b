"""A desk that answers, over real MIDI: it is read by SysEx, and a hand at it is heard."""

from __future__ import annotations

import signal
from pathlib import Path

import pytest
from jack import jack_server as jack_server
from lines import Program
from nights import STAGECTL, playing, quick_copy, told

from stagectl.ports.midi import MidiSystem

pytestmark = pytest.mark.ports


def test_it_is_read_and_a_hand_is_heard(tmp_path: Path, jack_server: MidiSystem) -> None:
    assert jack_server.answers
    show = quick_copy(
        "nine-songs", tmp_path, **{"profile: control-change": "profile: sysex", "port: desk": "port: far"}
    )
    command = (*STAGECTL, "desk", "sysex", "--inputs", "16", "--mixes", "5", "--midi", "far", "--midi-api", "jack")
    desk = Program(command)
    journal = tmp_path / "far.night"
    try:
        assert desk.line().startswith("ready")
        desk.say("move 1 11 -9")
        desk.line()
        with playing(show, journal, "--midi-api", "jack") as daemon:
            daemon.until(lambda line: "the desk has: 80 levels of 5 listeners" in line)
            desk.say("move 2 3 -20")
            assert "drummer: hi-hat off → -20 dB" in daemon.until(lambda line: "a hand at the desk" in line)
            desk.process.kill()
            daemon.until(lambda line: line.endswith("desk is gone"))
            daemon.process.send_signal(signal.SIGTERM)
            assert daemon.process.wait(10) == 0
    finally:
        desk.close()
    story = told("log", "--journal", str(journal))
    read = [one for one in story if one["kind"] == "change" and one["cause"] == "read"]
    assert {(one["listener"], one["input"]): one["to_db"] for one in read}["singer", "lead vocal"] == -9.0
    assert len(read) == 80
