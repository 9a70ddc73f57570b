"""One process drives a desk on a MIDI port, however the rigs spell it."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from nights import quick_copy

from stagectl.errors import DeviceError
from stagectl.live.links import OutLink
from stagectl.live.record import DeskClaim, desk_claim
from stagectl.show.load import load_show

DESK = f"desk of process {os.getpid()}"
PORT = f"a {DESK}:in 28:0"
"""Claims count for the whole machine, where others may test the same."""


@pytest.fixture
def first(tmp_path: Path) -> Iterator[DeskClaim]:
    """A night that has found its desk."""
    claim = claimed(tmp_path / "first", DESK)
    claim.found_at(PORT)
    yield claim
    claim.give_up()


def claimed(folder: Path, spelled: str) -> DeskClaim:
    """The desk of a show whose rig calls it so."""
    folder.mkdir()
    show = quick_copy("nine-songs", folder)
    rig = show / "rig.yaml"
    rig.write_text(rig.read_text("utf-8").replace("port: desk\n", f'port: "{spelled}"\n'), "utf-8")
    return desk_claim(load_show(show))


@pytest.mark.parametrize("spelled", ["as it is", "in capitals", "whole"])
def test_a_rig_that_spells_it_so_is_refused_at_once(first: DeskClaim, spelled: str, tmp_path: Path) -> None:
    name = {"as it is": DESK, "in capitals": DESK.upper(), "whole": PORT}[spelled]
    with pytest.raises(DeviceError, match=rf"is driven by process {os.getpid()} already"):
        claimed(tmp_path / "second", name)


def test_a_rig_that_names_another_part_of_it_never_opens_it(first: DeskClaim, tmp_path: Path) -> None:
    second = claimed(tmp_path / "second", DESK.removeprefix("desk "))
    link = OutLink("desk", load_show(tmp_path / "second" / "nine-songs").rig.desk)
    link.claim = second.found_at
    system = NoSystem()
    with pytest.raises(DeviceError, match=rf"`{PORT}` is driven by process \d+ already; end that first"):
        link.seek(system, [PORT])  # type: ignore[arg-type]
    first.give_up()
    link.seek(system, [PORT])  # type: ignore[arg-type]
    assert system.opened == [PORT]
    second.give_up()


def test_it_is_found_again_after_its_cable_was_out(first: DeskClaim) -> None:
    first.found_at(PORT)


class NoSystem:
    """Writes down what is to be opened."""

    def __init__(self) -> None:
        self.opened: list[str] = []

    def open_out(self, name: str) -> None:
        self.opened.append(name)
