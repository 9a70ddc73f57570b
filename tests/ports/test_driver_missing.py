"""Without the driver's package, or without what that loads, the program says which of them is missing."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest


@pytest.mark.parametrize(
    ("fails", "says", "names"),
    [
        ("ModuleNotFoundError('', name='rtmidi')", "is not installed for this Python", "libasound2-dev"),
        # As the loader says it (dlopen(3), glibc).
        (
            "ImportError('libasound.so.2: cannot open shared object file: No such file or directory')",
            "needs a library of the system that is missing (libasound.so.2: cannot open shared object file",
            "(Debian: libasound2)",
        ),
    ],
)
def test_what_is_missing_is_said(fails: str, says: str, names: str, tmp_path: Path) -> None:
    (tmp_path / "rtmidi.py").write_text(f"raise {fails}\n")
    env = {**os.environ, "PYTHONPATH": os.pathsep.join((str(tmp_path), str(Path(__file__).resolve().parents[2])))}
    run = subprocess.run(
        [sys.executable, "-m", "stagectl", "ports"], capture_output=True, text=True, timeout=60, env=env, check=False
    )
    assert run.returncode == 3
    assert says in run.stderr and names in run.stderr
    assert "Traceback" not in run.stderr
