"""A pedal on a real port that says nonsense: nothing fires, all of it is counted, and the next press counts."""

from __future__ import annotations

import signal
from pathlib import Path

import pytest
from jack import jack_server as jack_server
from nights import playing, quick_copy, told

from stagectl.ports.midi import MidiSystem

pytestmark = pytest.mark.ports

CLOCKS = 100
"""A second of them at 250 beats a minute: 24 a quarter note (MIDI 1.0)."""

GARBAGE = (
    [0x40, 0x41],  # data with no status before it
    [0xB0, 80],  # half a message
    [0xF4],  # a status that MIDI 1.0 leaves undefined
    [0xF0, 0x7D, 0x01, 0xF7],  # SysEx that nothing stands for
    [0x90, 60, 100],  # a note that no control sends, and that is never let go
    [0xB0, 80, 0],  # a switch that comes up, and was never down
)
"""SysEx that never ends is left to the tests of the byte stream: the JACK driver keeps what follows it to itself."""


def test_nothing_fires_and_all_is_counted(tmp_path: Path, jack_server: MidiSystem) -> None:
    import rtmidi

    assert jack_server.answers
    show = quick_copy("nine-songs", tmp_path)
    journal = tmp_path / "garbage.night"
    pedal = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name="garbage drum pedal")
    pedal.open_virtual_port("out")
    try:
        with playing(show, journal, "--midi-api", "jack") as daemon:
            daemon.until(lambda line: line.startswith("ready"))
            daemon.until(lambda line: line.endswith("drum pedal is here"))
            for message in GARBAGE:
                pedal.send_message(message)
            for _ in range(CLOCKS):
                pedal.send_message([0xF8])
            # JACK may lose one message when the machine is late, but not many in turn.
            for _ in range(5):
                pedal.send_message([0xB0, 80, 127])
                pedal.send_message([0xB0, 80, 0])
            daemon.until(lambda line: "drummer: next" in line)
            daemon.process.send_signal(signal.SIGTERM)
            assert daemon.process.wait(10) == 0
    finally:
        pedal.close_port()
        pedal.delete()
    story = told("log", "--journal", str(journal))
    pressed = [one for one in story if one["kind"] == "press"]
    assert 1 <= len(pressed) <= 5
    assert {one["what"] for one in pressed} <= {"next"}
    counted = {one["what"]: one["number"] for one in story if one["kind"] == "count" and one["who"] == "drum pedal"}
    assert any(CLOCKS - 5 <= number <= CLOCKS for number in counted.values()), counted
    assert len(counted) >= 2
