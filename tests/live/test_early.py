"""Ports that are opened early: they are the night's own in the end, each is waited for from when it was opened, and
whatever is not asked for is let go of."""

from __future__ import annotations

import asyncio
import os
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from jack import jack_server as jack_server
from needs import needs_module
from nights import STAGECTL

from stagectl.errors import DeviceError
from stagectl.live import early
from stagectl.live.links import OutLink
from stagectl.live.watch import SETTLE_S, Watch
from stagectl.ports import midi
from stagectl.ports.midi import MidiSystem, find_all
from stagectl.show.files import Files
from stagectl.show.rig import LinkedModel


class FakeSystem:
    """A MIDI system that writes down what is to be opened early."""

    def __init__(self, why: str | None = None) -> None:
        self.parts: list[str] = []
        self.why = why

    def open_early(self, parts: list[str]) -> None:
        self.parts = list(parts)
        if self.why is not None:
            raise DeviceError(self.why)


RIG = """
inputs: [{name: voice, socket: 1}]
listeners: [{name: singer, mix: 1}]
desk: {profile: control-change, DESK}
devices: [{name: box, port: 'BOX'}]
"""


def written(folder: Path, desk: str, box: str) -> Path:
    """A show with a desk and a device; whatever else it lacks is not looked at here."""
    rig = RIG.replace("DESK", desk).replace("BOX", box)
    (folder / "rig.yaml").write_text(rig if box else rig[: rig.index("devices")])
    (folder / "setlist.yaml").write_text("title: early\nrig: rig.yaml\nbase: {}\nsongs: [{name: one}]\n")
    return folder


def reach(show: Path, api: str = "auto") -> object:
    return early.reach_early(show, Files(), api)


def test_a_show_that_sends_nothing_over_midi_reaches_for_none(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nor does one that is not there."""
    monkeypatch.setattr(midi, "open_system", lambda api: pytest.fail("a MIDI system is asked for"))
    assert reach(tmp_path / "none") is reach(tmp_path) is None
    assert reach(written(tmp_path, "host: '127.0.0.1:9000'", "")) is None


def test_what_is_not_there_is_left_to_the_watch(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def none(api: str) -> MidiSystem:
        raise DeviceError("no MIDI system answers")

    show = written(tmp_path, "port: far", "box")
    monkeypatch.setattr(midi, "open_system", none)
    assert reach(show) is None
    system = FakeSystem("it cannot list its ports")
    monkeypatch.setattr(midi, "open_system", lambda api: system)
    assert reach(show) is system
    assert system.parts == ["far", "box"]


@contextmanager
def boxes(*names: str) -> Iterator[None]:
    """Ports that others can send to."""
    rtmidi = needs_module("rtmidi")
    made = [rtmidi.MidiIn(rtmidi.API_UNIX_JACK, name=name) for name in names]
    try:
        for one in made:
            one.open_virtual_port("in")
        yield
    finally:
        for one in made:
            one.close_port()
            one.delete()


def sends_to(port: str) -> list[str]:
    """The ports that are connected to one, as the server's own tool lists them."""
    ran = subprocess.run(["jack_lsp", "-c", port], capture_output=True, text=True, check=True)
    return [line.strip() for line in ran.stdout.splitlines() if line.startswith(" ")]


@pytest.mark.ports
def test_a_port_settles_from_when_it_was_opened(
    tmp_path: Path, jack_server: MidiSystem, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And what nobody asks for is let go of: here a device that is no link of the watch."""
    name, spare = f"early {os.getpid()}", f"spare {os.getpid()}"
    slept: list[float] = []
    with boxes(name, spare):
        system = early.reach_early(written(tmp_path, f"port: '{name}:in'", spare), Files(), "jack")
        assert system is not None
        asked, unasked = (find_all(part, system.outputs())[0] for part in (f"{name}:in", spare))
        assert len(sends_to(asked)) == len(sends_to(unasked)) == 1
        opened = system._early[asked]

        async def live() -> None:
            sleep = asyncio.sleep

            async def counted(seconds: float) -> None:
                slept.append(seconds)
                await sleep(0)

            monkeypatch.setattr(asyncio, "sleep", counted)
            link = OutLink("desk", LinkedModel.model_construct(port=f"{name}:in", host=None))
            came: list[object] = []
            looks = Watch([link], "jack", lambda *one: came.append(one), pytest.fail, system)
            looked = time.monotonic()
            await looks.look()
            assert came == [(link, True)]
            assert link._port is opened
            age = looked - opened.since
            assert age <= SETTLE_S - slept[0] <= age + (time.monotonic() - looked)
            assert len(sends_to(asked)) == 1
            assert sends_to(unasked) == []
            looks.close()

        asyncio.run(live())
        assert sends_to(asked) == []


@pytest.mark.ports
def test_a_night_that_cannot_begin_lets_go_of_them(tmp_path: Path, jack_server: MidiSystem) -> None:
    """The show has faults, which are found when its port is open already."""
    name = f"faulty {os.getpid()}"
    with boxes(name):
        show = written(tmp_path, f"port: '{name}:in'", "")
        before = sends_to(f"{name}:in")
        ran = subprocess.run([*STAGECTL, "run", str(show), "--midi-api", "jack"], capture_output=True, text=True)
        assert (ran.returncode, ran.stdout) == (1, "")
        assert "the base says nothing for `singer`" in ran.stderr
        assert sends_to(f"{name}:in") == before == []
