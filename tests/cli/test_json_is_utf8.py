"""What other programs read is UTF-8 (RFC 8259, 8.1), whatever the terminal is set to; lines for people are not."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner
from recorded import record_night

from stagectl.cli.main import main
from stagectl.where import shipped

TITLE = "Ł spät → früh"


@pytest.fixture
def show(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A show whose title Windows-1252 cannot say, and its night in the folder of the nights."""
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    folder = Path(shutil.copytree(shipped("setlists") / "three-songs", tmp_path / "show"))
    for name in ("setlist.yaml", "rig.yaml"):
        text = (folder / name).read_text("utf-8")
        (folder / name).write_text(text.replace("three songs", TITLE).replace("singer", TITLE), "utf-8")
    (tmp_path / "nights").mkdir()
    record_night(folder, tmp_path / "nights" / "2026-11-25T19-30-00.night")
    return folder


@pytest.mark.parametrize("command", ["log", "nights", "replay --setlist", "log --ears"])
@pytest.mark.parametrize("charset", ["cp1252", "koi8-r", "utf-16-le"])
def test_what_other_programs_read_is_utf8(show: Path, command: str, charset: str) -> None:
    if command == "replay --setlist":
        setlist = show / "setlist.yaml"
        setlist.write_text(re.sub(r": -(\d+)", r": -1\1", setlist.read_text("utf-8")), "utf-8")
    words = [*command.split(), *([str(show)] if command.endswith(("--setlist", "--ears")) else []), "--json"]
    result = CliRunner(charset=charset).invoke(main, words)
    assert result.exit_code == 0
    text = result.stdout_bytes.decode("utf-8")
    assert all(json.loads(line) for line in text.splitlines()) and "\r" not in text
    assert TITLE in text
    for_people = CliRunner(charset=charset).invoke(main, words[:-1])
    for_people.stdout_bytes.decode(charset)
