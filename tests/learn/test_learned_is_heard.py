"""What was learned from a pedal hears that pedal: each press of the take is a press of the rehearsal."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from feet import MS, save

from stagectl.cli.main import main
from stagectl.learn.series import Packet
from stagectl.wire.stream import MidiStream

SECOND = 1_000 * MS

RIG = """inputs: [{name: voice, socket: 1}]
listeners: [{name: singer, mix: 1}]
desk: {profile: control-change, port: desk}
pedals: [{name: floor board, port: floor board, listener: singer, mapping: foot}]
"""

SETLIST = """title: presses
rig: rig.yaml
base: {singer: {voice: -10}}
songs: [{name: a}, {name: b}, {name: c}, {name: d}]
"""

PRESSES: dict[str, tuple[str, ...]] = {
    "one value": ("B0 50 7F",),
    "one value, and that is 0": ("B0 50 00",),
    "one low value": ("B0 50 05",),
    "notes that never end": ("90 3C 40",),
    "down and up": ("B0 50 7F", "B0 50 00"),
    "pitch bend, down and up to its centre": ("E0 7F 7F", "E0 00 40"),
    "pitch bend, down to 0 and up to its centre": ("E0 00 00", "E0 00 40"),
    "a program": ("C0 05",),
    "a program of a bank": ("B0 00 01", "B0 20 02", "C0 05"),
    "a bank by its fine part alone": ("B0 20 01", "C0 05"),
    "a bank whose fine part comes first": ("B0 20 01", "B0 00 02", "C0 05"),
    "a parameter": ("B0 63 00", "B0 62 05", "B0 06 7F", "B0 63 00", "B0 62 05", "B0 06 00"),
    "SysEx": ("F0 7D 01 F7",),
    "SysEx, down and up": ("F0 7D 01 7F F7", "F0 7D 01 00 F7"),
    "SysEx, down to 0 and up": ("F0 7D 01 00 F7", "F0 7D 01 7F F7"),
}

AS_THEY_COME: dict[str, tuple[str, ...]] = {
    "notes of any strength that never end": ("90 28 50", "90 28 64", "90 28 3C"),
    "a bank said once": ("B0 00 01 C0 01", "C0 01", "C0 01"),
    "a bank said late": ("C0 01", "C0 01", "B0 20 01 C0 01"),
    "time code between": ("F1 00 F1 10 F2 00 08 C0 01", "F1 20 C0 01 F1 30", "C0 01"),
}
"""Three presses that are not alike."""


def whole(said: str) -> list[bytes]:
    """The messages of these bytes."""
    return MidiStream(Counter()).feed(bytes.fromhex(said))


@pytest.mark.parametrize("press", PRESSES)
def test_each_press_is_one(tmp_path: Path, press: str) -> None:
    packets = [
        (at * SECOND + step * MS * (30 if "down" in press else 1), bytes.fromhex(one))
        for at in range(1, 4)
        for step, one in enumerate(PRESSES[press])
    ]
    assert_each_is_one(tmp_path, packets)


@pytest.mark.parametrize("presses", AS_THEY_COME)
def test_each_press_is_one_and_nothing_is_refused(tmp_path: Path, presses: str) -> None:
    packets = [
        (at * SECOND + step * MS, packet)
        for at, press in enumerate(AS_THEY_COME[presses], 1)
        for step, packet in enumerate(whole(press))
    ]
    told = assert_each_is_one(tmp_path, packets)
    assert [one for one in told if one["kind"] == "refusal"] == []


def assert_each_is_one(tmp_path: Path, packets: list[Packet]) -> list[dict[str, Any]]:
    """Three presses are learned, and heard as such by what was learned. Gives what the rehearsal told."""
    take, mapping = tmp_path / "take.mid", tmp_path / "foot.yaml"
    save(take, floor_board=packets)
    learned = CliRunner().invoke(main, ["learn", "--take", str(take), "-o", str(mapping)])
    assert learned.exit_code == 0, learned.output
    assert "3 presses" in learned.output
    mapping.write_text(mapping.read_text().replace("# press: next", "press: next"))
    (tmp_path / "rig.yaml").write_text(RIG)
    (tmp_path / "setlist.yaml").write_text(SETLIST)
    ran = CliRunner().invoke(main, ["rehearse", str(tmp_path), "--presses", str(take), "--json"])
    assert ran.exit_code == 0, ran.output
    told = [json.loads(line) for line in ran.stdout.splitlines()]
    assert [one["song"] for one in told if one["kind"] == "arrival"] == ["a", "b", "c"], ran.stdout
    return told


@pytest.mark.parametrize(
    ("packets", "why"),
    [
        (("B0 63 00", "B0 62 05", "B0 26 10"), "an LSB with no MSB before it"),
        (("B0 62 05", "B0 06 10"), "data entry for no parameter"),
    ],
)
def test_what_no_mapping_hears_is_not_learned(tmp_path: Path, packets: tuple[str, ...], why: str) -> None:
    take = tmp_path / "take.mid"
    times = [(at * SECOND + step * MS, bytes.fromhex(one)) for at in range(1, 4) for step, one in enumerate(packets)]
    save(take, floor_board=[(0, bytes.fromhex("C0 01")), *times])
    learned = CliRunner().invoke(main, ["learn", "--take", str(take)])
    assert f"{why} (3)" in learned.output
    assert "nrpn" not in learned.output
