"""Ports that are opened early: they are the night's own in the end, each is waited for from when it was opened, and
whatever is not asked for is let go of."""

from __future__ import annotations

import asyncio
import os
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest
import rtmidi
from jack import jack_server as jack_server

from stagectl.errors import DeviceError
from stagectl.live import early
from stagectl.live.links import OutLink
from stagectl.live.watch import SETTLE_S, Watch
from stagectl.ports.midi import MidiOut, MidiSystem, find_all
from stagectl.show.load import Show, load_show
from stagectl.show.rig import LinkedModel

NINE_SONGS = Path(__file__).resolve().parents[2] / "setlists" / "nine-songs"

SENT_TO = ["desk", "keys rig", "lights", "tracks", "keys pedal"]
"""What the demo show sends to over MIDI: its desk, its devices, its player and the lamps of a pedal."""


@pytest.fixture
def show() -> Show:
    return load_show(NINE_SONGS)


class FakeSystem:
    """A MIDI system that writes down what is to be opened early."""

    def __init__(self, why: str | None = None) -> None:
        self.parts: list[str] = []
        self.why = why

    def open_early(self, parts: list[str]) -> None:
        self.parts = list(parts)
        if self.why is not None:
            raise DeviceError(self.why)


def with_port(show: Show, port: str | None, host: tuple[str, int] | None = None) -> Show:
    """The show with its desk elsewhere, and nothing else that is sent to."""
    desk = show.rig.desk.model_copy(update={"port": port, "host": host})
    mappings = {name: one.model_copy(update={"lamps": []}) for name, one in show.mappings.items()}
    return replace(
        show, rig=show.rig.model_copy(update={"desk": desk, "devices": [], "players": []}), mappings=mappings
    )


def test_what_a_show_sends_to(show: Show, monkeypatch: pytest.MonkeyPatch) -> None:
    system = FakeSystem()
    monkeypatch.setattr(early, "open_system", lambda api: system)
    assert early.reach_early(show, "jack") is system  # type: ignore[comparison-overlap]
    assert system.parts == SENT_TO


def test_a_show_that_sends_nothing_over_midi_reaches_for_none(show: Show, monkeypatch: pytest.MonkeyPatch) -> None:
    """A pedal's port needs no time to settle, and is opened when the night listens."""
    monkeypatch.setattr(early, "open_system", lambda api: pytest.fail("a MIDI system is asked for"))
    assert early.reach_early(with_port(show, None, ("127.0.0.1", 9_000)), "auto") is None


def test_what_is_not_there_is_left_to_the_watch(show: Show, monkeypatch: pytest.MonkeyPatch) -> None:
    def none(api: str) -> MidiSystem:
        raise DeviceError("no MIDI system answers")

    monkeypatch.setattr(early, "open_system", none)
    assert early.reach_early(show, "auto") is None
    system = FakeSystem("it cannot list its ports")
    monkeypatch.setattr(early, "open_system", lambda api: system)
    assert early.reach_early(show, "auto") is system  # type: ignore[comparison-overlap]


@contextmanager
def boxes(*names: str) -> Iterator[None]:
    """Ports that others can send to."""
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
    show: Show, jack_server: MidiSystem, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And what nobody asks for is let go of: here a device that is no link of the watch."""
    name, spare = f"early {os.getpid()}", f"spare {os.getpid()}"
    slept: list[float] = []
    with boxes(name, spare):
        device = LinkedModel.model_construct(port=spare, host=None)
        of_one = with_port(show, f"{name}:in")
        both = replace(of_one, rig=of_one.rig.model_copy(update={"devices": [device]}))
        system = early.reach_early(both, "jack")
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
            assert isinstance(opened, MidiOut)
            age = looked - opened.since
            assert age <= SETTLE_S - slept[0] <= age + (time.monotonic() - looked)
            assert len(sends_to(asked)) == 1
            assert sends_to(unasked) == []
            looks.close()

        asyncio.run(live())
        assert sends_to(asked) == []
