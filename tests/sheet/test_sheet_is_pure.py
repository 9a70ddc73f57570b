"""Only `write` touches the disk: nothing else of the room names a library that reaches out of the process."""

from __future__ import annotations

from pathlib import Path

from imports import libraries

import stagectl.sheet

ROOM = Path(stagectl.sheet.__file__).parent

REACHES_OUT = {"os", "pathlib", "tempfile", "shutil", "subprocess", "socket", "time", "datetime", "click", "weasyprint"}


def test_only_one_file_writes() -> None:
    reaching = {path.name for path in ROOM.glob("*.py") if libraries(path) & REACHES_OUT}
    assert reaching == {"write.py"}
