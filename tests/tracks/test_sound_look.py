"""What `check` finds of the sound files that a show plays: real files, written with soundfile, and damaged by hand."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner

from stagectl.cli.main import main
from stagectl.show.compile import compile_show
from stagectl.show.load import load_show
from stagectl.tracks.sound.look import look

RATE = 44_100

RIG = """
inputs: [{name: voice, socket: 1}]
listeners: [{name: singer, mix: 1, own input: voice}]
desk: {profile: control-change, port: desk}
players: [{name: laptop, sound: {outputs: {left: 1, right: 2}}}]
"""
SETLIST = """
title: stems
rig: rig.yaml
base: {singer: {voice: -20}}
songs:
  - name: one
    cue: {player: laptop, stems: {one.wav: [left, right]}}
    sections: [{name: late, at: 0:02}]
  - name: two
"""


@pytest.fixture
def show(tmp_path: Path) -> Path:
    (tmp_path / "rig.yaml").write_text(RIG)
    (tmp_path / "setlist.yaml").write_text(SETLIST)
    return tmp_path


def write(path: Path, seconds: float, channels: int = 2) -> None:
    soundfile.write(path, np.zeros((round(seconds * RATE), channels)), RATE, subtype="PCM_24")


def test_a_track_is_as_long_as_its_stem(show: Path) -> None:
    write(show / "one.wav", 2.5)
    found = look(load_show(show), through=True)
    assert found.advice == []
    # Converted to another rate it may be a frame longer.
    assert abs(found.lengths[0] - 2_500_000_000) <= 1e9 / RATE
    cue = compile_show(load_show(show)).plan.stops[1].cue
    assert cue is not None and cue.length_ns is None


def cut_short(path: Path) -> None:
    write(path, 2.5)
    path.write_bytes(path.read_bytes()[: 6 * RATE])


DAMAGE: list[tuple[str, Callable[[Path], object]]] = [
    ("there is no file `", lambda _: None),
    ("is no sound file, or is damaged", lambda path: path.write_text("a list of songs")),
    ("is cut short: its header says 110,250 frames", cut_short),
    ("has 4 channels for 2 outputs", lambda path: write(path, 2.5, 4)),
    ("has no sound in it", lambda path: write(path, 0)),
]


@pytest.mark.parametrize(("says", "damage"), DAMAGE, ids=[says for says, _ in DAMAGE])
def test_a_track_that_cannot_be_played_is_a_warning(show: Path, says: str, damage: Callable[[Path], object]) -> None:
    damage(show / "one.wav")
    found = look(load_show(show), through=True)
    assert found.lengths == {}
    (advice,) = found.advice
    assert advice.text.startswith("`one` goes without its track: ")
    assert says in advice.text
    assert advice.line == 7
    run = CliRunner().invoke(main, ["check", str(show)])
    assert run.exit_code == 0
    assert says in run.output


def test_a_section_behind_the_end_and_another_length_are_told(show: Path) -> None:
    write(show / "one.wav", 1.5)
    (advice,) = look(load_show(show)).advice
    assert advice.text == "the track is over at 1.5 s, before `late` begins"
    text = SETLIST.replace("    sections:", "    length: 0:05\n    sections:")
    (show / "setlist.yaml").write_text(text)
    (advice,) = look(load_show(show)).advice
    assert advice.text == "`one` ends at 5 s, and its longest stem at 1.5 s: the last of its stems is over before that"


def test_without_its_libraries_a_show_is_checked_all_the_same(show: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "soundfile", None)
    (advice,) = look(load_show(show)).advice
    assert "pip install 'stagectl[player]'" in advice.text
    run = CliRunner().invoke(main, ["check", str(show)])
    assert run.exit_code == 0
    assert "pip install 'stagectl[player]'" in run.output
