"""Track players at the end of a MIDI cable, through JACK: what one is told, and what it says of itself. The box
(`tests/track_box.py`) is a program of its own that knows nothing of stagectl, but MIDI 1.0."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from jack import jack_server as jack_server
from lines import Program
from nights import ROOT, playing, told
from test_tracks_over_jack import HERE, NEXT, PAUSE, Foot
from tracked import MAPPING

from stagectl.ports.midi import MidiSystem

pytestmark = [pytest.mark.ports, pytest.mark.slow]

TEMPO = 480
"""Quarter notes a minute: a bar of 4/4 takes half a second."""

RIG = """
inputs: [{name: voice, socket: 1}]
listeners: [{name: singer, mix: 1, own input: voice}]
desk: {profile: control-change, port: 'nobody', link: usb}
pedals: [{name: foot, port: 'test foot', mapping: switches, listener: singer}]
players:
  - name: box
    port: box told
    start: [{song select: cue}, {realtime: start}]
    stop: {realtime: stop}
    pause: {realtime: stop}
    go on: {realtime: continue}
    start here: [{song position: position}, {realtime: continue}]
    follow: clock
    follow port: box says
limits: {settle time: 0}
"""

SETLIST = f"""
title: boxes
rig: rig.yaml
base: {{singer: {{voice: -20}}}}
songs:
  - name: one
    tempo: {TEMPO}
    cue: {{player: box, number: 5}}
    sections:
      - {{name: second bar, at: bar 2}}
      - {{name: fourth bar, at: bar 4}}
      - {{name: far away, at: bar 1000}}
  - name: two
"""


@pytest.fixture
def show(tmp_path: Path) -> Path:
    for name, text in (("rig.yaml", RIG), ("switches.yaml", MAPPING), ("setlist.yaml", SETLIST)):
        (tmp_path / name).write_text(text)
    return tmp_path


@contextmanager
def boxed(*more: str) -> Iterator[Program]:
    """The box."""
    program = Program([sys.executable, str(ROOT / "tests" / "track_box.py"), "box", str(TEMPO), *more])
    try:
        assert program.line() == "ready"
        yield program
    finally:
        program.close()


@contextmanager
def live(show: Path, *more: str) -> Iterator[tuple[Program, Program, Foot]]:
    """The box, the daemon and a foot, when they have found each other."""
    foot = Foot()
    try:
        with boxed(*more) as box, playing(show, show / "box.night", "--midi-api", "jack") as daemon:
            found: set[str] = set()
            while len(found) < 3:
                line = daemon.line()
                found |= {says for says in ("box is here", "foot is here", "clock of box is heard") if says in line}
            yield box, daemon, foot
    finally:
        foot.close()


def test_a_box_is_told_and_followed(show: Path, jack_server: MidiSystem) -> None:
    with live(show) as (box, daemon, foot):
        foot.press(NEXT, daemon, "box: start 5")
        assert [box.line(), box.line()] == ["F3 05", "FA"]
        daemon.until(lambda line: "box: the track is at 0:00.500" in line)
        daemon.until(lambda line: "one, second bar" in line)
        foot.press(PAUSE, daemon, "box: pause 5")
        assert box.line() == "FC"
        foot.press(PAUSE, daemon, "box: go on 5")
        assert box.line() == "FB"
        daemon.until(lambda line: "one, fourth bar" in line)
        # From the fourth bar: 48 sixteenths, in seven bits each, the least significant first.
        foot.press(HERE, daemon, "box: start 5 at 0:01.500")
        assert [box.line(), box.line()] == ["F2 30 00", "FB"]
        foot.press(NEXT, daemon, "far away")
        foot.press(NEXT, daemon, "two")
        assert box.line() == "FC"
    reached = [one for one in told("log", "--journal", str(show / "box.night")) if one["kind"] == "track"]
    assert [(one["what"], one["position"]) for one in reached] == [("reached", "0:00.500"), ("reached", "0:01.500")]


def test_hands_on_the_box_take_the_night_along(show: Path, jack_server: MidiSystem) -> None:
    with live(show) as (box, daemon, foot):
        foot.press(NEXT, daemon, "box: start 5")
        daemon.until(lambda line: "one, second bar" in line)
        # Far ahead: bar 1000 is past 15 984 sixteenths.
        box.say("at 16000")
        daemon.until(lambda line: "box: it has jumped to 8:20" in line)
        daemon.until(lambda line: "one, far away" in line)
        box.say("stop")
        daemon.until(lambda line: "box: it stands still, at 8:20" in line)
        box.say("at 0")
        daemon.until(lambda line: "box: it runs by itself, at 0:0" in line)
        daemon.until(lambda line: "box: the track is at 0:00.500" in line)


def test_a_box_that_never_says_where_it_is_is_told_of_and_trusted(show: Path, jack_server: MidiSystem) -> None:
    setlist = show / "setlist.yaml"
    setlist.write_text(setlist.read_text().replace("at: bar 1000", "at: bar 7"))
    with live(show, "mute") as (_, daemon, foot):
        foot.press(NEXT, daemon, "box: start 5")
        # The last of them comes after the two seconds in which a player has to answer.
        daemon.until(lambda line: "one, second bar" in line)
        daemon.until(lambda line: "one, far away" in line)
        daemon.process.terminate()
        assert daemon.process.wait(10) == 0
        assert daemon.process.stderr is not None
        assert "box does not say where it is (`box says`)" in daemon.process.stderr.read()
