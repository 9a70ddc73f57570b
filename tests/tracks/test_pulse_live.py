"""The daemon's side of the pulse: a process for each output, over real JACK ports; one that ends comes back."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import sys
import time
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from jack import jack_server as jack_server
from test_pulse_process import ear, on_jack

from stagectl.core.tempo import BarChange, by_bars
from stagectl.live import pulse
from stagectl.live.pulse import Pulse, PulseOut

AT_300 = by_bars([BarChange(1, Fraction(300))])
LIMIT_S = 10.0


class Heard:
    """What the daemon is told, and waiting for it."""

    def __init__(self) -> None:
        self.here: dict[str, bool] = {}
        self.changes: list[tuple[str, bool]] = []
        self.troubles: list[str] = []
        self._something = asyncio.Event()

    def changed(self, name: str, here: bool) -> None:
        self.here[name] = here
        self.changes.append((name, here))
        self._something.set()

    def trouble(self, sentence: str) -> None:
        # The hand that frees a JACK server holds it up for a moment (`jackd.py`).
        if not sentence.endswith("was stopped"):
            self.troubles.append(sentence)
        self._something.set()

    async def until(self, holds: Callable[[], bool]) -> None:
        """Wait until something is so."""
        async with asyncio.timeout(LIMIT_S):
            while not holds():
                await self._something.wait()
                self._something.clear()


@pytest.mark.ports
@pytest.mark.slow
@on_jack
def test_a_night_of_two_outputs(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pulse, "RESTART_S", 0.05)

    async def night() -> None:
        heard = Heard()
        outputs = [PulseOut("delay", "pulse-delay", True), PulseOut("lights", "pulse-lights", False, "25")]
        players = Pulse(outputs, "jack", heard.changed, heard.trouble)
        # Before anything is there.
        players.run(AT_300, time.monotonic_ns(), 0)
        players.moved(time.monotonic_ns())
        task = asyncio.create_task(players.forever())
        loop = asyncio.get_running_loop()
        with ear("pulse-delay") as delay, ear("pulse-lights") as lights:
            await heard.until(lambda: heard.here == {"delay": True, "lights": True})
            await loop.run_in_executor(None, delay.until, 10, b"\xf8")
            quarter_frames = [bytes((0xF1, data)) for data in range(128)]
            came = await loop.run_in_executor(None, lights.until, 8, *quarter_frames)
            assert {packet[0] for packet in came} <= {0xF0, 0xF1}
            # Nobody asked it to end. (A kill would do, but JACK needs seconds to get over that.)
            os.kill(players.pids["delay"], signal.SIGTERM)
            await heard.until(lambda: ("delay", False) in heard.changes and heard.here["delay"])
            assert heard.troubles == ["delay: its process has ended (0), and is started again"]
            assert ("lights", False) not in heard.changes
            # It goes on where the track is by now.
            await loop.run_in_executor(None, delay.until, 1, b"\xfb", b"\xfc")
            await loop.run_in_executor(None, delay.until, 30, b"\xf8")
            players.halt()
            await loop.run_in_executor(None, delay.until, 1, b"\xfc")
            players.close()
            async with asyncio.timeout(LIMIT_S):
                await task
        assert heard.here == {"delay": False, "lights": False}
        assert len(heard.troubles) == 1

    asyncio.run(night())


def test_a_process_that_cannot_be_started_is_told_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pulse, "RESTART_S", 0.0)
    monkeypatch.setattr(sys, "executable", "/nowhere/python")
    starts = 0
    create = asyncio.create_subprocess_exec

    async def night() -> None:
        heard = Heard()

        async def count(*command: str, **options: Any) -> asyncio.subprocess.Process:
            nonlocal starts
            starts += 1
            if starts == 5:
                players.close()
            return await create(*command, **options)

        monkeypatch.setattr(asyncio, "create_subprocess_exec", count)
        players = Pulse([PulseOut("delay", "x", True)], "jack", heard.changed, heard.trouble)
        async with asyncio.timeout(LIMIT_S):
            await players.forever()
        assert len(heard.troubles) == 1
        assert "delay: its process cannot be started: " in heard.troubles[0]
        assert heard.changes == []

    asyncio.run(night())
    assert starts == 5


READS_NOTHING = """#!{python}
import sys, time
print('{{"here": true}}', flush=True)
time.sleep(60)
"""


def test_a_process_that_reads_nothing_is_killed_and_holds_up_nobody(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    program = tmp_path / "python"
    program.write_text(READS_NOTHING.format(python=sys.executable))
    program.chmod(0o755)
    monkeypatch.setattr(sys, "executable", str(program))
    monkeypatch.setattr(pulse, "BACKLOG_MAX", 100_000)

    async def night() -> None:
        heard = Heard()
        players = Pulse([PulseOut("delay", "x", True)], "jack", heard.changed, heard.trouble)
        task = asyncio.create_task(players.forever())
        await heard.until(lambda: heard.here.get("delay", False))
        for _ in range(3_000):
            players.run(AT_300, 0, 0)
        await heard.until(lambda: not heard.here["delay"])
        assert heard.troubles == ["delay: its process has ended (-9), and is started again"]
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)

    asyncio.run(night())


TELLS = """#!{python}
import sys
for line in sys.stdin:
    print(line, end="", flush=True)
"""


def test_lines_that_are_none_and_counts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Few late messages are not worth a word."""
    program = tmp_path / "python"
    program.write_text(TELLS.format(python=sys.executable))
    program.chmod(0o755)
    monkeypatch.setattr(sys, "executable", str(program))

    async def night() -> None:
        heard = Heard()
        players = Pulse([PulseOut("delay", "x", True)], "jack", heard.changed, heard.trouble)
        task = asyncio.create_task(players.forever())
        lines = [
            "nonsense",
            "[]",
            "{}",
            '{"sent": 1}',
            json.dumps({"sent": 9_000, "late": 90, "worst": 2_000_000}),
            json.dumps({"sent": 9_000, "late": 91, "worst": 12_000_000}),
            json.dumps({"trouble": "last"}),
        ]
        while not players.pids:
            await asyncio.sleep(0)
        for output in players._outputs:
            output.say("\n".join([*lines, ""]).encode())
        await heard.until(lambda: "delay: last" in heard.troubles)
        assert heard.troubles == [
            "delay: 91 of 9000 messages left late, by up to 12 ms: this machine may be too busy",
            "delay: last",
        ]
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)

    asyncio.run(night())
