"""The program as a process: started, ready, ended."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from pathlib import Path
from typing import IO, Final

ROOT: Final = Path(__file__).resolve().parents[2]

WHOLE: Final = "everything is here"
"""What its line `ready` says where nothing is waited for."""


def keep_compiled(folder: Path) -> None:
    """Whatever is started from now on, ours and the bare, keeps there what Python compiled, as where it is installed:
    where Python is told to keep nothing, each start would measure the compiler."""
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    os.environ["PYTHONPYCACHEPREFIX"] = str(folder / "compiled")


def started(folder: Path, *more: str, stderr: IO[str] | None = None) -> subprocess.Popen[str]:
    """The program with the show of a folder, and a journal there. `stderr`: where its warnings go, if not to ours."""
    return subprocess.Popen(
        [sys.executable, "-m", "stagectl", "run", str(folder), "--journal", str(folder / "bench.night"), *more],
        stdout=subprocess.PIPE,
        stderr=stderr,
        text=True,
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )


def wait_for(program: subprocess.Popen[str], *words: str) -> None:
    """Read its lines until each of these began one; what it says then is read and dropped. Raises SystemExit where it
    ends before, or its line `ready` does not say so."""
    assert program.stdout is not None
    left = set(words)
    for line in program.stdout:
        if line.startswith("ready") and WHOLE not in line:
            break
        left -= {word for word in left if line.startswith(word)}
        if not left:
            drop(program.stdout)
            return
    raise SystemExit(f"the program never said {', '.join(sorted(left))}, {WHOLE}")


def drop(pipe: IO[str]) -> None:
    """Read it to its end on a thread, and close it."""

    def read() -> None:
        with pipe:
            for _ in pipe:
                pass

    threading.Thread(target=read, daemon=True).start()


def end(program: subprocess.Popen[str]) -> None:
    """As a service is ended."""
    program.send_signal(signal.SIGTERM)
    program.wait(10)
