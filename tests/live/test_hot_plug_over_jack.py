"""The cable falls out under a foot, again and again, on real ports: nothing fires by going or by coming back, and
every press after it counts."""

from __future__ import annotations

import signal
from collections import Counter
from pathlib import Path
from typing import Any

import pytest
from depth import examples
from jack import jack_server as jack_server
from lines import Program
from nights import playing, told

from stagectl.ports.midi import MidiSystem

pytestmark = [pytest.mark.ports, pytest.mark.slow]

TIMES = examples(45)
HOLDS_EVERY = 10
PULLS_EVERY = 5
"""A hold of a second is long enough for a busy machine to see that the cable is out, and over before the next one."""

RIG = """
inputs: [{name: voice, socket: 1}]
listeners: [{name: singer, mix: 1, own input: voice}]
desk: {profile: osc-decibels, host: '127.0.0.1:9'}
pedals: [{name: foot, port: plugged, mapping: switches, listener: singer}]
"""
MAPPING = """
name: switches
controls:
  more: {sends: {control change: 80}, press: {nudge: own, by: +0.1}, release: undo}
  less: {sends: {control change: 81}, press: {nudge: own, by: -1}, hold: undo, hold time: 1 s}
  back: {sends: {control change: 82}, press: {nudge: own, by: -1}, hold: undo, hold time: 200 ms}
  on: {sends: {control change: 83}, press: next}
"""
SETLIST = """
title: plugging
rig: rig.yaml
base: {singer: {voice: -20}}
songs: [{name: one}]
"""


def plug(at: int) -> Any:
    """The pedal, plugged in; its client has another number each time."""
    import rtmidi

    port = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name=f"socket {at}")
    port.open_virtual_port("plugged")
    return port


def unplug(port: Any) -> None:
    port.close_port()
    port.delete()


def press(port: Any, daemon: Program, control: int, value: int, wanted: str) -> None:
    """A switch's message, sent again where JACK lost it, until the daemon tells what came of it."""
    for _ in range(5):
        port.send_message([0xB0, control, value])
        try:
            while wanted not in daemon.line(1):
                pass
        except TimeoutError:
            continue
        return
    raise AssertionError(f"controller {control} was never understood")


def test_again_and_again_out_and_in_under_a_foot(tmp_path: Path, jack_server: MidiSystem) -> None:
    for name, text in (("rig", RIG), ("switches", MAPPING), ("setlist", SETLIST)):
        (tmp_path / f"{name}.yaml").write_text(text)
    journal = tmp_path / "plugged.night"
    with playing(tmp_path, journal, "--midi-api", "jack") as daemon:
        daemon.until(lambda line: line.startswith("ready"))
        port = plug(0)
        daemon.until(lambda line: "foot is here" in line)
        press(port, daemon, 83, 127, "next (foot, on, press)")
        for at in range(TIMES):
            # Down, and the cable falls out: neither the release nor the hold may fire.
            press(port, daemon, 80, 127, "nudge (foot, more, press)")
            if at % PULLS_EVERY == 0:
                port.send_message([0xB0, 81, 127])
            unplug(port)
            daemon.until(lambda line: "foot is gone" in line)
            port = plug(at + 1)
            daemon.until(lambda line: "foot is here" in line)
            # Back: the next press counts at once, and its release too.
            press(port, daemon, 80, 127, "nudge (foot, more, press)")
            press(port, daemon, 80, 0, "undo (foot, more, release)")
            if at % HOLDS_EVERY == 0:
                press(port, daemon, 82, 127, "undo (foot, back, hold)")
                port.send_message([0xB0, 82, 0])
        unplug(port)
        daemon.until(lambda line: "foot is gone" in line)
        daemon.process.send_signal(signal.SIGTERM)
        assert daemon.process.wait(10) == 0
    lived = told("log", "--journal", str(journal))
    gestures = [one["gesture"] for one in lived if one["kind"] == "press"]
    assert gestures.count("press") == 1 + 2 * TIMES
    assert gestures.count("release") == TIMES
    assert gestures.count("hold") == -(-TIMES // HOLDS_EVERY)
    # A message that was sent again after JACK was only late is refused as already done, and a foot that was down when
    # its cable went as undecided; nothing else is refused.
    refused = Counter(one["reason"] for one in lived if one["kind"] == "refusal")
    # One that was on its way into JACK when the cable went may be lost.
    assert 1 <= refused.pop("its pedal went before it was clear what it was") <= -(-TIMES // PULLS_EVERY)
    assert refused.keys() <= {"it was down already", "it was up already"}
