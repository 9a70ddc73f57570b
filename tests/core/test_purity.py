"""The core cannot do I/O: shown by what importing it loads, and by what its text names."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest
from imports import imported, libraries

import stagectl.core

CORE = Path(stagectl.core.__file__).parent
PACKAGE = CORE.parent
ROOT = PACKAGE.parent

DOES_IO = {
    "asyncio",
    "concurrent",
    "http",
    "logging",
    "mido",
    "multiprocessing",
    "pathlib",
    "pydantic",
    "pythonosc",
    "rtmidi",
    "select",
    "selectors",
    "shutil",
    "socket",
    "sqlite3",
    "ssl",
    "subprocess",
    "tempfile",
    "threading",
    "urllib",
    "yaml",
}
"""Libraries that reach out of the process, wait, or start threads."""

NOT_IN_CORE = DOES_IO | {"datetime", "io", "os", "queue", "random", "secrets", "sys", "time", "uuid"}
"""And those that would let a clock, chance or the surroundings in."""

NOT_CALLED_IN_CORE = {"open", "print", "input", "exec", "eval", "__import__", "breakpoint"}

NOT_IN_SHOW = {"asyncio", "mido", "pythonosc", "rtmidi", "socket", "sqlite3", "subprocess", "threading"}


def sources(folder: Path) -> list[Path]:
    """The Python files of a folder."""
    return sorted(folder.rglob("*.py"))


def loaded(code: str) -> set[str]:
    """The modules loaded in a bare interpreter that has run `code`."""
    script = f"{code}\nimport sys\nprint(*sys.modules)"
    done = subprocess.run(
        [sys.executable, "-c", script], cwd=ROOT, check=True, capture_output=True, text=True, timeout=60
    )
    return set(done.stdout.split())


def test_importing_the_core_loads_no_library_that_does_io() -> None:
    modules = [f"stagectl.core.{path.stem}" for path in sources(CORE) if path.stem != "__init__"]
    assert len(modules) > 10
    extra = loaded("\n".join(f"import {module}" for module in modules)) - loaded("")
    assert set(modules) <= extra
    # `typing_extensions`, which the library of the core's values loads, names a type by what is in `_socket`.
    assert not {name for name in extra - {"_socket"} if name.partition(".")[0].lstrip("_") in DOES_IO}
    ours = {name for name in extra if name.partition(".")[0] == "stagectl"}
    assert ours == {"stagectl", "stagectl.core", *modules}


@pytest.mark.parametrize("path", sources(CORE), ids=lambda path: path.name)
def test_the_core_s_text_names_nothing_of_the_world(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for name in imported(tree):
        assert not name.startswith("."), f"{path.name}: say the whole name of {name}"
        assert name.partition(".")[0] not in NOT_IN_CORE, f"{path.name} imports {name}"
        if name.partition(".")[0] == "stagectl":
            assert name.startswith("stagectl.core."), f"{path.name} imports {name}, which is outside the core"
    called = {node.func.id for node in ast.walk(tree) if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)}
    assert not called & NOT_CALLED_IN_CORE


@pytest.mark.parametrize("path", sources(PACKAGE / "proof"), ids=lambda path: path.name)
def test_the_proof_knows_the_core_and_nothing_else(path: Path) -> None:
    names = set(imported(ast.parse(path.read_text(encoding="utf-8"))))
    assert not {name for name in names if name.partition(".")[0] in NOT_IN_CORE}
    ours = {name for name in names if name.partition(".")[0] == "stagectl"}
    assert not {name for name in ours if not name.startswith(("stagectl.core", "stagectl.proof"))}


@pytest.mark.parametrize("folder", ["core", "show"])
def test_core_and_show_import_no_io_library(folder: str) -> None:
    for path in sources(PACKAGE / folder):
        names = libraries(path)
        assert not names & NOT_IN_SHOW, f"{path} imports {sorted(names & NOT_IN_SHOW)}"


def test_the_ears_know_only_the_core_and_the_rows_of_the_story() -> None:
    """They do no I/O and read no clock: levels and times go in, figures come out."""
    allowed = ("stagectl.core.", "stagectl.ears", "stagectl.story.rows")
    for path in sources(PACKAGE / "ears"):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        for name in imported(tree):
            assert name.partition(".")[0] not in NOT_IN_CORE, f"{path.name} imports {name}"
            assert not name.startswith("stagectl") or name.startswith(allowed), f"{path.name} imports {name}"
        calls = (node.func for node in ast.walk(tree) if isinstance(node, ast.Call))
        assert not {func.id for func in calls if isinstance(func, ast.Name)} & NOT_CALLED_IN_CORE


def test_the_scan_sees_an_import_in_a_function() -> None:
    tree = ast.parse("def f() -> None:\n    import time\n    from socket import socket\n    from . import x\n")
    assert set(imported(tree)) == {"time", "socket", "."}
