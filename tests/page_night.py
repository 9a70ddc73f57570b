"""A night on real ports with its page, for benches: a foot and a desk over OSC, and a crowd at the page."""

from __future__ import annotations

import json
import os
import random
import re
import signal
import socket
import statistics
import subprocess
import sys
import threading
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

from free_ports import free_port
from processes import PROC, children

ROOT: Final = Path(__file__).resolve().parent.parent

RIG: Final = """
inputs: [{name: voice, socket: 1}, {name: bass, socket: 2}]
listeners: [{name: singer, mix: 1, own input: voice}]
desk: {profile: deaf-decibels, host: '127.0.0.1:%d'}
pedals: [{name: foot, osc port: %d, mapping: buttons, listener: singer}]
limits: {settle time: 0, rise: 1000}
"""
PROFILE: Final = """
name: generic desk over OSC, in decibels
over: osc
send:
  say: {osc: "/mix/{mix}/from/{input}", type: float}
  values: {law: db, lowest: -90, highest: 10, step: 0.1, off: -100}
"""
MAPPING: Final = """
name: two buttons over OSC
controls:
  go: {sends: {osc: /go}, bounce: 0 ms, press: next}
  up: {sends: {osc: /up}, bounce: 0 ms, press: {nudge: own, by: +1}}
  down: {sends: {osc: /dn}, bounce: 0 ms, press: {nudge: own, by: -1}}
"""
SETLIST: Final = """
title: bench
rig: rig.yaml
base: {singer: {voice: -20, bass: -20}}
songs: [{name: one}]
"""

LOST_S: Final = 2.0
"""A press of which the desk hears nothing for so long counts as lost, s."""


class PageNight:
    """The daemon with its page, its foot and its desk. `folder`: where the show and the journal go."""

    def __init__(self, folder: Path) -> None:
        self._desk = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._desk.bind(("127.0.0.1", 0))
        self._foot = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._to = ("127.0.0.1", free_port())
        (folder / "rig.yaml").write_text(RIG % (self._desk.getsockname()[1], self._to[1]))
        (folder / "deaf-decibels.yaml").write_text(PROFILE)
        (folder / "buttons.yaml").write_text(MAPPING)
        (folder / "setlist.yaml").write_text(SETLIST)
        self._random = random.Random(1)
        self._presses = 0
        self.lost = 0
        command = [sys.executable, "-m", "stagectl", "run", str(folder), "--page", "127.0.0.1:0", "--control"]
        self.daemon = subprocess.Popen(
            [*command, "--journal", str(folder / "bench.night")],
            stdout=subprocess.PIPE,
            text=True,
            cwd=ROOT,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
        )
        self.port = self._port()
        self.crowd = subprocess.Popen(
            [sys.executable, str(ROOT / "tests" / "page_crowd.py"), str(self.port)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        self._press(b"/go\0")

    def _port(self) -> int:
        """The page's port. From then on what the daemon says is read and dropped."""
        assert self.daemon.stdout is not None
        for line in self.daemon.stdout:
            if found := re.match(r"page: http://[^:]+:(\d+)/", line):
                threading.Thread(target=lambda: [None for _ in self.daemon.stdout or ()], daemon=True).start()
                return int(found[1])
        raise SystemExit("the daemon has ended without a page")

    def crowd_does(self, order: str) -> Any:
        """Give the crowd an order, and wait until it is done."""
        assert self.crowd.stdin is not None
        assert self.crowd.stdout is not None
        self.crowd.stdin.write(order + "\n")
        self.crowd.stdin.flush()
        return json.loads(self.crowd.stdout.readline())

    def press(self) -> int | None:
        """One press: the time until the desk is told something, ns, None where it never is."""
        self._presses += 1
        return self._press(b"/up\0" if self._presses % 2 else b"/dn\0")

    def _press(self, address: bytes) -> int | None:
        """Press a button: the time until the desk is told something, ns, None where it never is."""
        self._desk.setblocking(False)
        try:
            while True:
                self._desk.recv(4096)
        except BlockingIOError:
            self._desk.settimeout(LOST_S)
        began = time.monotonic_ns()
        self._foot.sendto(address + b",i\0\0\0\0\0\1", self._to)
        try:
            self._desk.recv(4096)
            taken: int | None = time.monotonic_ns() - began
        except TimeoutError:
            taken = None
        self._foot.sendto(address + b",i\0\0\0\0\0\0", self._to)
        return taken

    def presses(self, number: int) -> list[int]:
        """So many presses, with a foot's pauses of 20 to 40 ms: what each took, ns. Lost ones are counted."""
        taken = []
        for _ in range(number):
            one = self.press()
            if one is None:
                self.lost += 1
            else:
                taken.append(one)
            time.sleep(self._random.uniform(0.02, 0.04))
        return taken

    @property
    def page_process(self) -> int | None:
        """The number of the page's process, where the system says it."""
        if not PROC.exists():
            return None
        return next((pid for pid, command in children(self.daemon.pid).items() if "view.process" in command), None)

    def close(self) -> None:
        """End everything."""
        assert self.crowd.stdin is not None
        self.crowd.stdin.close()
        self.crowd.wait(20)
        self.daemon.send_signal(signal.SIGTERM)
        self.daemon.wait(20)
        self._desk.close()
        self._foot.close()


def resident_mb(pid: int | None) -> float:
    """What a process holds in memory, MB; 0 where the system does not say it."""
    status = Path(f"/proc/{pid}/statm")
    return int(status.read_text().split()[1]) * 4096 / 1e6 if status.exists() else 0.0


def row(name: str, nanoseconds: Sequence[int]) -> str:
    """Median, 90th and 99th percentile and maximum, µs."""
    ordered = sorted(nanoseconds)
    at = [ordered[min(len(ordered) - 1, int(len(ordered) * part))] for part in (0.9, 0.99)]
    return (
        f"  {name:<24} {len(ordered):5} presses: median {statistics.median(ordered) / 1e3:7.1f}   "
        f"p90 {at[0] / 1e3:7.1f}   p99 {at[1] / 1e3:7.1f}   max {ordered[-1] / 1e3:8.1f} µs"
    )
