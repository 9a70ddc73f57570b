"""What a rehearsal tells people."""

from __future__ import annotations

from pathlib import Path

import pytest

from stagectl.rehearse.room import Room
from stagectl.rehearse.script import read_script
from stagectl.rehearse.tell import story_lines
from stagectl.show.compile import compile_show
from stagectl.show.load import load_show
from stagectl.where import shipped

PRESS = "presses:\n  - {at: 1, pedal: drum pedal, control: left, happens: press}\n"


@pytest.mark.parametrize(("profile", "per_level"), [("control-change", 1), ("control-pair", 2), ("nrpn", 4)])
def test_levels_are_told_apart_from_the_messages_that_say_them(profile: str, per_level: int, tmp_path: Path) -> None:
    for path in (shipped("setlists") / "nine-songs").glob("*.yaml"):
        text = path.read_text("utf-8").replace("profile: control-change", f"profile: {profile}")
        (tmp_path / path.name).write_text(text, "utf-8")
    script = tmp_path / "one.yaml"
    script.write_text(PRESS)
    show = load_show(tmp_path)
    compiled = compile_show(show)
    told = list(story_lines(Room(show, compiled).play(read_script(script, compiled.plan))))
    # The first song's own press; its track brings a section of its own later.
    line = next(line for line in told if "desk gets" in line)
    if per_level == 1:
        assert " levels in " not in line
        return
    levels, messages = (int(word) for word in line.split() if word.isdigit())
    assert f"desk gets {levels} levels in {messages} messages" in line
    assert messages == per_level * levels
