"""Listening: ports that come and go, refuse to open or say too much; with a MIDI system of our own making."""

from __future__ import annotations

from collections.abc import Callable
from io import StringIO
from typing import cast

import pytest
from rich.console import Console

from stagectl.errors import DeviceError
from stagectl.learn import listen, series
from stagectl.learn.analyse import analyse
from stagectl.learn.listen import Listener, Port
from stagectl.learn.series import Sender
from stagectl.learn.verdict import Learned
from stagectl.learn.watching import InPlace
from stagectl.ports.midi import Heard, InPort, MidiSystem


class Told:
    """What was shown."""

    def __init__(self) -> None:
        self.lines: list[str] = []
        self.shown: list[tuple[str, list[Sender]]] = []

    def say(self, line: str) -> None:
        self.lines.append(line)

    def show(self, port: str, learned: Learned) -> None:
        self.shown.append((port, [verdict.sender for verdict in learned.verdicts]))


class System:
    """The part of a MIDI system that listening uses. `busy`: ports that cannot be opened."""

    def __init__(self, *names: str) -> None:
        self.names = list(names)
        self.busy: set[str] = set()
        self.open: dict[str, Heard] = {}

    def inputs(self) -> list[str]:
        return list(self.names)

    def open_in(self, full_name: str, heard: Heard) -> InPort:
        if full_name in self.busy:
            raise DeviceError(f"`{full_name}` is in use")
        self.open[full_name] = heard
        return cast(InPort, Closing(self, full_name))


class Closing:
    def __init__(self, system: System, name: str) -> None:
        self.system, self.name = system, name

    def close(self) -> None:
        del self.system.open[self.name]


def listened(system: System, *steps: Callable[[], None], part: str = "") -> tuple[Told, list[Port]]:
    """Listen, with a step before each look, until the steps are done."""
    told = Told()
    todo = list(steps)

    def ended(_: float) -> bool:
        if todo:
            todo.pop(0)()
        return not todo

    return told, Listener(cast(MidiSystem, system), told, part).until(ended)


@pytest.fixture(autouse=True)
def looks_every_time(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(listen, "PORTS_S", 0.0)


def nothing() -> None:
    return None


def test_ports_come_go_and_come_again_with_all_that_they_said() -> None:
    system = System("a:1")

    def say(program: int) -> Callable[[], None]:
        return lambda: system.open["a:1"](bytes((0xC0, program)), program)

    told, ports = listened(
        system,
        say(1),
        system.names.clear,
        nothing,
        lambda: system.names.append("a:1"),
        nothing,
        say(2),
    )
    assert told.lines == ["listening: a:1", "gone: a:1", "listening: a:1"]
    assert [port.packets for port in ports] == [[(1, b"\xc0\x01"), (2, b"\xc0\x02")]]
    assert system.open == {}


def test_a_port_that_cannot_be_opened_is_told_once_and_tried_again() -> None:
    system = System("a:1", "b:1")
    system.busy.add("a:1")
    told, ports = listened(system, nothing, nothing, system.busy.clear, nothing)
    assert told.lines == ["not heard: `a:1` is in use", "listening: b:1", "listening: a:1"]
    assert {port.name for port in ports} == {"a:1", "b:1"}


def test_only_the_ports_that_were_asked_for_are_opened() -> None:
    _, ports = listened(System("Left foot:1", "right:1"), nothing, part="left")
    assert [port.name for port in ports] == ["Left foot:1"]


@pytest.mark.parametrize(("said", "lost"), [(10, 0), (11, 1), (1_000, 990)])
def test_the_queue_is_bounded(said: int, lost: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(listen, "QUEUE_MAX", 10)
    system = System("a:1")

    def flood() -> None:
        for at in range(said):
            system.open["a:1"](b"\xc0\x01", at)

    told, ports = listened(system, flood)
    assert len(ports[0].packets) == said - lost
    assert told.lines[1:] == ([f"{lost} messages came too fast and were lost"] if lost else [])


def test_controls_that_turn_out_to_be_one_stand_in_one_row() -> None:
    told, shown = Port("a:1"), StringIO()
    with InPlace(Console(file=shown, width=200)) as table:
        for at, value in enumerate((127, 0, 127, 0)):
            table.show("b:1", analyse([(0, b"\xc0\x05")]))
            told.take(at * 300_000_000, bytes((0xF0, 0x7D, value, 0xF7)))
            table.show("a:1", told.learned())
    rows = [line for line in shown.getvalue().splitlines() if ":1 " in line]
    assert [line.split("  ")[1].strip() for line in rows] == ["program 5 on channel 1", "sysex F0 7D {value} F7"]


@pytest.mark.parametrize(("said", "beyond"), [(10, 0), (11, 1), (1_000, 990)])
def test_what_is_kept_is_bounded(said: int, beyond: int, monkeypatch: pytest.MonkeyPatch) -> None:
    for module in (listen, series):
        monkeypatch.setattr(module, "MESSAGES_MAX", 10)
    port = Port("a:1")
    for at in range(said):
        port.take(at, b"\xf8")
        port.take(at, b"\xc0\x01")
    learned = port.learned()
    assert (learned.heard, learned.background["clock"], len(port.packets)) == (2 * said, said, 10)
    assert learned.odd["beyond the first messages"] == beyond
    told = series.sort([(at, b"\xc0\x01") for at in range(said)])
    assert (sum(map(len, told.series.values())), told.odd["beyond the first messages"]) == (10, beyond)
