"""The archives as `pip` would have them made, and an environment with only the wheel in it."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tarfile
import venv
from collections.abc import Iterator
from importlib.util import find_spec
from pathlib import Path
from typing import Final

ROOT: Final = Path(__file__).resolve().parents[2]

BESIDE: Final = ("pyproject.toml", ".gitignore", "README.md", "DEVELOPERS.md", "LICENSE")
SHIPS: Final = ("stagectl", "mappings", "setlists", "tests")
"""What the archives are made of."""

MADE: Final = ("__pycache__", "*.pyc", "stems", ".pytest_cache", ".hypothesis")
"""What lies in a checkout and is no part of it."""

LIMIT_S: Final = 240.0


def unpack(sdist: Path, folder: Path) -> None:
    """What is in an archive, into a folder; nothing beside it, where Python looks after that (from 3.11.4 on)."""
    with tarfile.open(sdist) as archive:
        if hasattr(tarfile, "data_filter"):
            archive.extractall(folder, filter="data")
        else:
            archive.extractall(folder)


def sources(root: Path) -> Iterator[Path]:
    """The files of a checkout that ship, relative to it. Where it is one of git, those that git knows or may come to
    know; elsewhere all but what is made."""
    folders = [*SHIPS, *BESIDE]
    if (root / ".git").exists() and shutil.which("git"):
        command = ["git", "ls-files", "--cached", "--others", "--exclude-standard", *folders]
        said = subprocess.run(command, capture_output=True, text=True, cwd=root, check=True).stdout
        # A file that is known and taken away is still listed.
        yield from (Path(name) for name in sorted(set(said.splitlines())) if (root / name).is_file())
        return
    for name in folders:
        paths = sorted((root / name).rglob("*")) if (root / name).is_dir() else [root / name]
        for path in paths:
            within = path.relative_to(root)
            if path.is_file() and not any(Path(part).match(pattern) for part in within.parts for pattern in MADE):
                yield within


def copied(root: Path, to: Path) -> Path:
    """A copy of a checkout's files, in which a test may do as it likes."""
    for name in sources(root):
        (to / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(root / name, to / name)
    return to


def built(root: Path, kind: str, to: Path) -> Path:
    """An archive of the checkout `root`, by the back-end that `pyproject.toml` names. `kind`: `wheel` or `sdist`."""
    if find_spec("hatchling") is None:
        from needs import unavailable

        unavailable("not installed here: hatchling")
    command = [sys.executable, "-m", "hatchling", "build", "-t", kind, "-d", str(to)]
    run = subprocess.run(command, capture_output=True, text=True, cwd=root, timeout=LIMIT_S, check=False)
    assert run.returncode == 0, run.stdout + run.stderr
    (found,) = to.glob("*.whl" if kind == "wheel" else "*.tar.gz")
    return found


def installed(wheel: Path, to: Path) -> Path:
    """A new environment in which the wheel is installed by `pip`, and the folder of its programs. What the wheel needs
    is that of the environment of the tests, which is looked into last; the checkout itself is not in it."""
    venv.create(to, with_pip=False)
    programs = to / ("Scripts" if os.name == "nt" else "bin")
    pip = [sys.executable, "-m", "pip", "--python", str(programs / "python"), "install", "-q"]
    pip += ["--no-deps", "--no-index", "--no-compile", str(wheel)]
    run = subprocess.run(pip, capture_output=True, text=True, timeout=LIMIT_S, check=False)
    assert run.returncode == 0, run.stdout + run.stderr
    (site,) = to.glob("Lib/site-packages") if os.name == "nt" else to.glob("lib/*/site-packages")
    # A folder that stands in such a file is looked into, but not what stands in such files of its own (site module).
    (site / "needed.pth").write_text("\n".join(place for place in sys.path if place.endswith("site-packages")))
    return programs


def called(programs: Path, cwd: Path, *command: str, **env: str) -> subprocess.CompletedProcess[str]:
    """A command of such an environment, in a folder that is no checkout."""
    words = [str(programs / command[0]), *command[1:]]
    clean = {name: value for name, value in os.environ.items() if not name.startswith(("PYTHON", "VIRTUAL_ENV"))}
    return subprocess.run(
        words,
        capture_output=True,
        text=True,
        stdin=subprocess.DEVNULL,
        cwd=cwd,
        env={**clean, **env},
        timeout=LIMIT_S,
        check=False,
    )
