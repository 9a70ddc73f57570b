"""A live night with the built-in player, through JACK's dummy driver: a press starts the track, and its sections
arrive at the desk where the track is, before a pause and after it. A second JACK client hears the track and the desk's
messages with one clock."""

from __future__ import annotations

import json
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from jack import jack_server as jack_server
from lines import Program
from nights import ROOT, playing, told
from tracked import write_show

from stagectl.ports.midi import MidiSystem

pytestmark = [pytest.mark.ports, pytest.mark.slow]

NEXT, PAUSE, HERE = 80, 81, 82

TRIES = 6
"""With no real-time priority JACK loses a message, or a pulse, now and then: the night is played again."""


class Foot:
    """A pedal on a bare virtual port."""

    def __init__(self) -> None:
        import rtmidi

        self._port = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name="test foot")
        self._port.open_virtual_port("out")

    def press(self, control: int, daemon: Program, says: str) -> str:
        """Press, and again what JACK lost, until the daemon says what it did."""
        for _ in range(5):
            self._port.send_message([0xB0, control, 127])
            self._port.send_message([0xB0, control, 0])
            try:
                while says not in (line := daemon.line(1.5)):
                    pass
                return line
            except TimeoutError:
                continue
        raise AssertionError(f"{control} was never understood")

    def close(self) -> None:
        self._port.close_port()
        self._port.delete()


@contextmanager
def ear() -> Iterator[Program]:
    """The second client; `noted` gives what it heard."""
    program = Program([sys.executable, "-P", str(ROOT / "tests" / "track_ear.py"), "judge"])
    try:
        assert program.line(10) == "ready"
        yield program
    finally:
        program.close()


def noted(judge: Program) -> dict[str, Any]:
    judge.say("")
    found = json.loads(judge.until(lambda line: line.startswith("{")))
    assert isinstance(found, dict)
    return found


def night(show: Path, journal: Path) -> dict[str, Any]:
    """The first section, a pause, the second one, back to the first and on from there."""
    foot = Foot()
    with ear() as judge, playing(show, journal, "--midi-api", "jack") as daemon:
        try:
            daemon.until(lambda line: "one is ready to play" in line)
            assert judge.until(lambda line: line == "heard")
            foot.press(NEXT, daemon, "laptop: start")
            daemon.until(lambda line: "one, part 0" in line)
            foot.press(PAUSE, daemon, "laptop: pause")
            foot.press(PAUSE, daemon, "laptop: go on")
            daemon.until(lambda line: "one, part 1" in line)
            daemon.until(lambda line: "one, part 2" in line)
            foot.press(HERE, daemon, "laptop: start at 0:01.400")
            daemon.until(lambda line: "the track has ended" in line)
            found = noted(judge)
            daemon.process.send_signal(signal.SIGTERM)
            assert daemon.process.wait(10) == 0
        finally:
            foot.close()
    return found


def test_sections_arrive_at_the_desk_where_the_track_is(tmp_path: Path, jack_server: MidiSystem) -> None:
    show = write_show(tmp_path, [0.4, 0.9, 1.4, 1.9], 2.2)
    for turn in range(TRIES):
        journal = tmp_path / f"tracks {turn}.night"
        try:
            found = night(show, journal)
        except BrokenPipeError:
            # JACK has thrown out the judge, which was late.
            continue
        story = told("log", "--journal", str(journal))
        reached = [one for one in story if one["kind"] == "track" and one["what"] == "reached"]
        assert [one["position"] for one in reached] == ["0:00.400", "0:00.900", "0:01.400", "0:01.900"]
        # How late each was is in the journal, by the daemon's own clock.
        assert all(one["late_ms"] >= 0 for one in reached)
        (paused,) = (one["position"] for one in story if one.get("what") == "pause")
        assert "0:00.400" <= paused < "0:00.900"
        assert [one["what"] for one in story if one["kind"] == "track"][-1] == "ended"
        # The song's own change comes first; that of each section after it.
        if len(found["pulses"]) == 4 and len(found["changes"]) == 5:
            break
    else:
        raise AssertionError("JACK lost something in each night")
    # Each section is at the desk when its pulse has been heard, and long before the next one.
    came = [at for at, _ in found["changes"][1:]]
    ends = [*found["pulses"][1:], found["pulses"][-1] + 500_000_000]
    assert all(pulse < at < end for pulse, at, end in zip(found["pulses"], came, ends, strict=True))
