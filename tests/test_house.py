"""The house is in order: types, lint, format, and only what belongs at the top."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Final

import pytest

ROOT = Path(__file__).resolve().parents[1]

SHARED: Final = True
"""It takes long where nothing is known of an earlier run, so it must not come last; see `tests/cores.py`."""


@pytest.mark.parametrize("command", [("mypy",), ("ruff", "check"), ("ruff", "format", "--check")], ids=" ".join)
def test_types_lint_and_format(command: tuple[str, ...]) -> None:
    run = subprocess.run([sys.executable, "-m", *command], capture_output=True, text=True, cwd=ROOT, check=False)
    assert run.returncode == 0, run.stdout + run.stderr


def tracked() -> list[str]:
    if shutil.which("git") is None:
        pytest.skip("git is not installed here")
    run = subprocess.run(["git", "ls-files"], capture_output=True, text=True, cwd=ROOT, check=False)
    if run.returncode:
        pytest.skip("not a git checkout")
    return run.stdout.splitlines()


def test_only_what_belongs_stands_at_the_top() -> None:
    top = {name.split("/")[0] for name in tracked()}
    belongs = {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml", "stagectl", "mappings", "tests", "setlists"}
    assert {name for name in top - belongs if not name.startswith(".")} == set()


def test_the_rooms_stay_small() -> None:
    """No file of the program is longer than 400 lines."""
    long = {
        str(path): n for path in (ROOT / "stagectl").rglob("*.py") if (n := len(path.read_text().splitlines())) > 400
    }
    assert long == {}


def test_every_shipped_profile_says_that_it_is_generic() -> None:
    for path in (ROOT / "mappings" / "desks").glob("*.yaml"):
        assert re.search(r"^name: generic desk", path.read_text(), re.MULTILINE), path


def test_the_readme_names_every_command_and_action() -> None:
    from stagectl.cli.main import COMMANDS
    from stagectl.core.action_table import ACTIONS

    readme = (ROOT / "README.md").read_text()
    assert [word for word in COMMANDS if f"stagectl {word}" not in readme] == []
    assert [word for word in ACTIONS if f"`{word}`" not in readme and f"{{{word}:" not in readme] == []
