"""A whole evening on real ports: a pedal over MIDI that is pulled out, a pedal over OSC, a desk over OSC that answers,
people at the page; and what the program holds meanwhile."""

from __future__ import annotations

import json
import re
import socket
import subprocess
import sys
import threading
import time
from collections import deque
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import Any, Final

from free_ports import free_port

from bench_parts.over_udp import button
from bench_parts.press import Nudges, Presser, osc_level
from bench_parts.program import ROOT, WHOLE, drop, end, started
from bench_parts.relay import Relay

SONGS: Final = 12
RIG: Final = """
inputs: [{name: voice, socket: 1}, {name: guitar, socket: 2}, {name: bass, socket: 3}, {name: keys, socket: 4}]
listeners: [{name: singer, mix: 1, own input: voice}, {name: guitarist, mix: 2, own input: guitar}]
desk: {profile: osc-decibels, host: '127.0.0.1:%d'}
pedals:
  - {name: singer pedal, port: soakfoot, mapping: switches, listener: singer}
  - {name: guitarist pedal, osc port: %d, mapping: buttons, listener: guitarist}
limits: {settle time: 0, rise: 1000}
"""
SWITCHES: Final = """
name: two switches
controls:
  up: {sends: {control change: 80}, bounce: 0 ms, press: {nudge: own, by: +1}}
  down: {sends: {control change: 81}, bounce: 0 ms, press: {nudge: own, by: -1}}
"""
BUTTONS: Final = """
name: four buttons over OSC
controls:
  go: {sends: {osc: /go}, bounce: 0 ms, press: next}
  again: {sends: {osc: /to}, bounce: 0 ms, press: {go to: song 1}}
  up: {sends: {osc: /up}, bounce: 0 ms, press: {nudge: own, by: +1}}
  down: {sends: {osc: /dn}, bounce: 0 ms, press: {nudge: own, by: -1}}
"""
SETLIST: Final = """
title: a long evening
rig: rig.yaml
fade: 0.5
base:
  singer: {voice: -20, guitar: -24, bass: -24, keys: -24}
  guitarist: {voice: -24, guitar: -20, bass: -24, keys: -24}
songs:
"""
"""Songs move bass and keys; what is nudged and timed is moved by nobody else."""

SINGER: Final = b"/mix/1/from/1\0\0\0,f\0\0"
GUITARIST: Final = b"/mix/2/from/2\0\0\0,f\0\0"

KEEPS: Final = 1_000
"""Lines of the program that are looked back at."""

LIMIT_S: Final = 20.0
"""What has not come by then never comes, s."""


def write_show(folder: Path, desk_port: int, foot_port: int) -> None:
    """The evening's show."""
    (folder / "rig.yaml").write_text(RIG % (desk_port, foot_port))
    (folder / "switches.yaml").write_text(SWITCHES)
    (folder / "buttons.yaml").write_text(BUTTONS)
    songs = (
        f"  - {{name: song {at + 1}, levels: {{everyone: {{bass: {-30 + at}, keys: {-14 - at}}}}}}}\n"
        for at in range(SONGS)
    )
    (folder / "setlist.yaml").write_text(SETLIST + "".join(songs))


class Lines:
    """What a program says, read on a thread; the last lines are kept."""

    def __init__(self, program: subprocess.Popen[str]) -> None:
        self._lines: deque[str] = deque(maxlen=KEEPS)
        self._count = 0
        self._news = threading.Condition()
        self._ended = False
        self._program = program
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        assert self._program.stdout is not None
        with self._program.stdout as pipe:
            for line in pipe:
                with self._news:
                    self._lines.append(line.rstrip("\n"))
                    self._count += 1
                    self._news.notify_all()
        with self._news:
            self._ended = True
            self._news.notify_all()

    def after(self, does: Callable[[], object], words: str) -> str:
        """Do something, and give the line with these words that comes then. Raises TimeoutError where none does."""
        with self._news:
            seen = self._count
        does()
        return self._since(seen, words)

    def ever(self, words: str) -> str:
        """The line with these words that has come, or comes. Raises TimeoutError where none does."""
        return self._since(0, words)

    def _since(self, seen: int, words: str) -> str:
        ends = time.monotonic() + LIMIT_S
        with self._news:
            while True:
                for line in list(self._lines)[-(self._count - seen) :] if self._count > seen else ():
                    if words in line:
                        return line
                left = ends - time.monotonic()
                if left <= 0 or self._ended:
                    raise TimeoutError(f"never said: {words}" + (" (it has ended)" if self._ended else ""))
                self._news.wait(left)


class _OscWire:
    """The guitarist's pedal, to the desk."""

    def __init__(self, relay: Relay, to: int) -> None:
        self._relay, self._to = relay, ("127.0.0.1", to)
        self._foot = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)

    def send(self, packet: bytes) -> None:
        self._foot.sendto(packet, self._to)

    def hear(self, limit_s: float) -> tuple[int, bytes] | None:
        return self._relay.told(GUITARIST, limit_s)

    def close(self) -> None:
        self._foot.close()


class _MidiWire:
    """The singer's pedal, to the desk. Another client of JACK each time that it is plugged in."""

    def __init__(self, relay: Relay) -> None:
        self._relay = relay
        self._port: Any = None
        self._times = 0

    def plug(self) -> None:
        import rtmidi

        self._times += 1
        self._port = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name=f"plug {self._times}")
        self._port.open_virtual_port("soakfoot")

    def pull(self) -> None:
        self._port.close_port()
        self._port.delete()
        self._port = None

    def send(self, packet: bytes) -> None:
        self._port.send_message(packet)

    def hear(self, limit_s: float) -> tuple[int, bytes] | None:
        return self._relay.told(SINGER, limit_s)

    def close(self) -> None:
        if self._port is not None:
            self.pull()


class Evening:
    """Everything that runs. `folder`: where the show, the journal and the program's warnings go."""

    def __init__(self, folder: Path) -> None:
        self._stack = ExitStack()
        try:
            self._begin(folder)
        except BaseException:
            self._stack.close()
            raise

    def _begin(self, folder: Path) -> None:
        self.journal = folder / "bench.night"
        self.desk = self._desk()
        self.relay = Relay(self._desk_port, (SINGER, GUITARIST))
        self._stack.callback(self.relay.close)
        foot = free_port()
        write_show(folder, self.relay.port, foot)
        self._midi, self._osc = _MidiWire(self.relay), _OscWire(self.relay, foot)
        self._stack.callback(self._midi.close)
        self._stack.callback(self._osc.close)
        self._midi.plug()
        self.warnings = folder / "warnings"
        told = self._stack.enter_context(self.warnings.open("w"))
        self.program = started(folder, "--midi-api", "jack", "--page", "127.0.0.1:0", stderr=told)
        self._stack.callback(self._end)
        self.lines = Lines(self.program)
        page = self.lines.ever("page: http")
        ready = self.lines.ever("ready")
        if WHOLE not in ready:
            raise SystemExit(f"not everything is served: {ready}")
        found = re.search(r"http://[^:]+:(\d+)/", page)
        assert found is not None
        self._crowd = subprocess.Popen(
            [sys.executable, str(ROOT / "tests" / "page_crowd.py"), found[1]],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        self._stack.callback(self._leave)
        sides = {"up": b"/up\0", "down": b"/dn\0"}
        osc = tuple((button(sides[one], 1), button(sides[one], 0)) for one in ("down", "up"))
        midi = tuple((bytes((0xB0, key, 127)), bytes((0xB0, key, 0))) for key in (81, 80))
        self.presser = {
            "MIDI": Presser(self._midi, Nudges((midi[0], midi[1]), osc_level(SINGER))),
            "OSC": Presser(self._osc, Nudges((osc[0], osc[1]), osc_level(GUITARIST))),
        }
        self._song = 0
        self.next()

    def _desk(self) -> subprocess.Popen[str]:
        command = ("desk", "osc-decibels", "--inputs", "4", "--mixes", "2", "--osc", "127.0.0.1:0")
        desk = subprocess.Popen(
            [sys.executable, "-m", "stagectl", *command],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            cwd=ROOT,
        )
        self._stack.callback(end, desk)
        assert desk.stdin is not None
        self._stack.callback(desk.stdin.close)
        assert desk.stdout is not None
        line = desk.stdout.readline()
        found = re.search(r":(\d+)\b[^:]*$", line)
        if found is None:
            raise SystemExit(f"the desk is not ready: {line}")
        self._desk_port = int(found[1])
        drop(desk.stdout)
        return desk

    def next(self) -> None:
        """The next song, or the first again: a fade of everybody's bass and keys."""
        self._song = self._song % SONGS + 1
        name = b"/to\0" if self._song == 1 else b"/go\0"

        def press() -> None:
            for value in (1, 0):
                self._osc.send(button(name, value))

        self.lines.after(press, f"song {self._song}")

    def hand(self, level: int) -> None:
        """A hand at the desk moves the singer's bass."""
        assert self.desk.stdin is not None
        self.desk.stdin.write(f"move 1 3 {level}\n")
        self.desk.stdin.flush()

    def pedal_out_and_in(self) -> None:
        """The singer's pedal is pulled out, and plugged in again."""
        self.lines.after(self._midi.pull, "singer pedal is gone")
        self.lines.after(self._midi.plug, "singer pedal is here")

    def desk_out_and_in(self) -> None:
        """The desk's cable is pulled out, and plugged in again."""
        self.lines.after(self.relay.pull, "desk is gone")
        self.lines.after(self.relay.plug, "desk is here")

    def crowd(self, order: str) -> Any:
        """An order for the people at the page; it is done when this returns."""
        assert self._crowd.stdin is not None
        assert self._crowd.stdout is not None
        self._crowd.stdin.write(order + "\n")
        self._crowd.stdin.flush()
        return json.loads(self._crowd.stdout.readline())

    def close(self) -> int:
        """End the night; the program's exit code."""
        self._stack.close()
        return int(self.program.returncode)

    def _end(self) -> None:
        end(self.program)

    def _leave(self) -> None:
        self._crowd.communicate(timeout=LIMIT_S)
