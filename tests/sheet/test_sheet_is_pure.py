"""Only `write` touches the disk: nothing else of the room names a library that reaches out of the process."""

from __future__ import annotations

import ast
from pathlib import Path

import stagectl.sheet

ROOM = Path(stagectl.sheet.__file__).parent

REACHES_OUT = {"os", "pathlib", "tempfile", "shutil", "subprocess", "socket", "time", "datetime", "click", "weasyprint"}


def imported(path: Path) -> set[str]:
    """The libraries that a file imports, wherever in it."""
    out = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            out |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            out.add(str(node.module).split(".")[0])
    return out


def test_only_one_file_writes() -> None:
    reaching = {path.name for path in ROOM.glob("*.py") if imported(path) & REACHES_OUT}
    assert reaching == {"write.py"}
