"""The answers to the foot on real wires: an rtmidi listener is the pedal's lamps over JACK, liblo's `oscdump` over OSC.

JACK loses a message now and then when the machine is late; what was lost is tried again, as a foot would.
"""

from __future__ import annotations

import queue
import signal
import subprocess
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest
from free_ports import free_port
from jack import jack_server as jack_server
from lines import Program, running
from needs import needs
from nights import playing, told

from stagectl.ports.midi import MidiSystem

pytestmark = pytest.mark.ports

TRIES = 5

SETLIST = """
title: lamps
rig: rig.yaml
base: {singer: {voice: -20}}
songs: [{name: one}, {name: two}, {name: three}, {name: four}, {name: five}, {name: six}]
"""
RIG = """
inputs: [{name: voice, socket: 1}]
listeners: [{name: singer, mix: 1, own input: voice}]
desk: {profile: deaf, host: '127.0.0.1:9'}
limits: {settle time: 0}
"""
DEAF = """
name: a desk that says nothing
over: osc
send:
  say: {osc: '/mix/{mix}/from/{input}'}
  values: {law: db, lowest: -90, highest: 10}
"""
OVER_MIDI = """
name: board
controls:
  'on': {sends: {control change: 80}, bounce: 0 ms, press: next}
lamps:
  - {shows: song number, say: {program: song, channel: 1}}
  - {shows: refused, on: {note: 1, channel: 1}, off: {note: 1, velocity: 0, channel: 1}}
  - {shows: desk here, on: {note: 2, channel: 1}, off: {note: 2, velocity: 0, channel: 1}}
"""
OVER_OSC = """
name: board
controls:
  'on': {sends: {osc: /foot/on}, bounce: 0 ms, press: next}
  stop: {sends: {osc: /foot/stop}, bounce: 0 ms, press: stop cue}
lamps:
  - {shows: song number, say: {osc: /lamp/song, arguments: [song]}}
  - {shows: refused, on: {osc: /lamp/no, arguments: [1]}, off: {osc: /lamp/no, arguments: [0]}, lasts: 200 ms}
"""


def write_show(folder: Path, pedal: str, mapping: str) -> None:
    rig = f"{RIG}pedals: [{{name: foot, mapping: board, listener: singer, {pedal}}}]\n"
    for name, text in (("rig", rig), ("board", mapping), ("setlist", SETLIST)):
        (folder / f"{name}.yaml").write_text(text)
    (folder / "deaf.yaml").write_text(DEAF)


class Board:
    """The pedal: a port that says and one that hears, each plugged in when it is asked for."""

    count = 0

    def __init__(self) -> None:
        self.heard: queue.Queue[bytes] = queue.Queue()
        self.says: Any = None
        self.hears: Any = None
        Board.count += 1
        self.number = Board.count

    def plug_in_switches(self) -> None:
        import rtmidi

        self.says = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name=f"board says {self.number}")
        self.says.open_virtual_port("board")

    def plug_in_lamps(self) -> None:
        import rtmidi

        self.hears = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, name=f"board hears {self.number}")
        self.hears.set_callback(lambda event, _: self.heard.put(bytes(event[0])))
        self.hears.open_virtual_port("board")

    def unplug(self) -> None:
        for port in (self.says, self.hears):
            if port is not None:
                port.close_port()
                port.delete()
        self.says = self.hears = None

    def lamps(self, count: int) -> list[str]:
        """So many messages; fewer if some were lost."""
        out: list[str] = []
        try:
            while len(out) < count:
                out.append(self.heard.get(timeout=2).hex(" "))
        except queue.Empty:
            pass
        return out


def all_lamps(song: int) -> list[str]:
    """What a pedal is told when it comes: the song, nothing refused, and the desk."""
    return [f"c0 {song:02x}", "90 01 00", "90 02 64"]


def next_song(board: Board, daemon: Program, song: int) -> int:
    """On, until the pedal hears of it; the song's number then."""
    for _ in range(TRIES):
        for value in (127, 0):
            board.says.send_message([0xB0, 80, value])
        try:
            while "next (foot, on, press)" not in daemon.line(2):
                pass
        except TimeoutError:
            continue
        song += 1
        if (heard := board.lamps(1)) == [f"c0 {song:02x}"]:
            return song
        assert heard == []
    raise AssertionError("the song was never shown")


@pytest.mark.parametrize("lamps_first", [False, True])
def test_over_jack_a_press_is_answered_and_a_pedal_that_comes_back_is_told_all(
    tmp_path: Path, jack_server: MidiSystem, lamps_first: bool
) -> None:
    write_show(tmp_path, "port: board", OVER_MIDI)
    journal, song, whole = tmp_path / "lamps.night", 0, 0
    with playing(tmp_path, journal, "--midi-api", "jack") as daemon, ExitStack() as unplug:
        assert "lamps of foot (`board`)" in daemon.until(lambda line: line.startswith("ready"))
        for board in [Board() for _ in range(TRIES)]:
            unplug.callback(board.unplug)
            if lamps_first:
                # Lamps come with their pedal, whichever of its ports was there before.
                board.plug_in_lamps()
                board.plug_in_switches()
            else:
                board.plug_in_switches()
                daemon.until(lambda line: "foot is here" in line)
                board.plug_in_lamps()
            daemon.until(lambda line: "lamps of foot are at" in line)
            heard = board.lamps(3)
            assert heard == all_lamps(song) or len(heard) < 3
            whole += heard == all_lamps(song)
            if whole == 2:
                break
            song = next_song(board, daemon, song)
            board.unplug()
            daemon.until(lambda line: "lamps of foot are gone" in line)
        assert whole == 2
        daemon.process.send_signal(signal.SIGTERM)
        assert daemon.process.wait(10) == 0
    # The story is of what the feet did; the lamps follow from it.
    assert {one["kind"] for one in told("log", "--journal", str(journal))} <= {
        "press",
        "arrival",
        "change",
        "link",
        "refusal",
        "end",
    }


def test_over_osc_the_song_is_shown_and_a_refusal_lights_and_goes_out(tmp_path: Path) -> None:
    needs("oscsend", "oscdump", "stdbuf")
    foot, lamps = free_port(), free_port()
    write_show(tmp_path, f"osc port: {foot}, lamps host: '127.0.0.1:{lamps}'", OVER_OSC)

    def press(name: str) -> None:
        for value in ("1", "0"):
            subprocess.run(["oscsend", "127.0.0.1", str(foot), f"/foot/{name}", "i", value], check=True)

    with (
        running("stdbuf", "-oL", "oscdump", str(lamps)) as judge,
        playing(tmp_path, tmp_path / "osc.night") as daemon,
    ):

        def shown() -> list[str]:
            return judge.line().split()[1:]

        assert "everything is here" in daemon.until(lambda line: line.startswith("ready"))
        assert shown() == ["/lamp/song", "i", "0"]
        assert shown() == ["/lamp/no", "i", "0"]
        press("on")
        assert shown() == ["/lamp/song", "i", "1"]
        press("stop")
        assert shown() == ["/lamp/no", "i", "1"]
        assert shown() == ["/lamp/no", "i", "0"]
        assert "no track is running" in daemon.until(lambda line: "refused" in line)
        daemon.process.send_signal(signal.SIGTERM)
        assert daemon.process.wait(10) == 0
