"""`stagectl ready` over real MIDI: the ports of pedals and of a desk that answers by SysEx, and the sound device. The
judge of which ports there are, and that none is left, is JACK's own list of them (`jack_lsp`)."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from forked import stagectl
from jack import jack_server as jack_server
from lines import Program
from needs import needs

from stagectl.ports.midi import MidiSystem
from stagectl.where import shipped

pytestmark = pytest.mark.ports


TRIES = 5
"""JACK loses messages where a period comes late, and on a busy machine an answer takes its time."""


def jack_ports() -> list[str]:
    """The ports that JACK lists."""
    run = subprocess.run(["jack_lsp"], capture_output=True, text=True, check=True)
    return sorted(run.stdout.splitlines())


def test_ports_are_found_and_the_desk_is_read(tmp_path: Path, jack_server: MidiSystem) -> None:
    needs("jack_lsp")
    show = tmp_path / "nine-songs"
    shutil.copytree(shipped("setlists") / "nine-songs", show)
    rig = show / "rig.yaml"
    rig.write_text(
        rig.read_text().replace("profile: control-change", "profile: sysex").replace("port: desk\n", "port: far desk\n")
    )
    size = ("--inputs", "16", "--mixes", "5")
    where = ("--midi", "far desk", "--midi-api", "jack")
    desk = Program((sys.executable, "-m", "stagectl", "desk", "sysex", *size, *where))
    pedals = [jack_server.virtual_out(name, "out") for name in ("drum pedal", "keys pedal")]
    try:
        assert "ready" in desk.line()
        before = jack_ports()
        environment = {"STATE_DIRECTORY": str(tmp_path), "TMPDIR": str(tmp_path)}
        for _ in range(TRIES):
            run = stagectl("ready", str(show), "--midi-api", "jack", "--json", cwd=tmp_path, **environment)
            left = jack_ports()
            if "all 80 levels read" in run.stdout:
                break
    finally:
        for pedal in pedals:
            pedal.close()
        desk.close()
    found: dict[str, dict[str, Any]] = {one["what"]: one for one in map(json.loads, run.stdout.splitlines()[:-1])}
    assert run.returncode == 3 and left == before
    for name in ("drum pedal", "keys pedal"):
        (port,) = [one for one in before if one.startswith(f"{name}:")]
        assert (found[name]["word"], found[name]["says"]) == ("fine", f"at `{port}`")
    assert found["vocal pedal"]["word"] == "wrong" and "rig.yaml:" in found["vocal pedal"]["do"]
    assert found["lamps of keys pedal"]["word"] == "look"
    assert found["desk"]["word"] == "fine" and "all 80 levels read" in found["desk"]["says"], found["desk"]
    # The server's device has two outputs, and the rig wants three.
    device = found["stage laptop"]
    assert device["word"] == "wrong" and "outputs" in device["says"], device
    assert found["stems"]["word"] == "wrong"
