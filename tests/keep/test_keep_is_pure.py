"""Only `write` touches the disk: nothing else of the room names a library that reaches out of the process."""

from __future__ import annotations

from pathlib import Path

from imports import libraries

import stagectl.keep

ROOM = Path(stagectl.keep.__file__).parent

REACHES_OUT = {"os", "sqlite3", "tempfile", "shutil", "subprocess", "socket", "time", "random", "sys", "click"}


def test_only_one_file_writes() -> None:
    reaching = {path.name for path in ROOM.glob("*.py") if libraries(path) & REACHES_OUT}
    assert reaching == {"write.py"}


def test_the_room_knows_no_journal_and_no_clock() -> None:
    for path in ROOM.glob("*.py"):
        text = path.read_text("utf-8")
        assert "stagectl.journal" not in text and "stagectl.live" not in text, path
        assert "datetime.now" not in text, path
