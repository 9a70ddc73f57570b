"""Both archives on every Python that is here, with all extras, and the suite's quick part on the lowest versions of all
that the program needs. It takes minutes and the package registry, so it is no part of the suite:

    python tests/packaging/matrix.py [--only 3.12] [--skip-lowest] [FOLDER]

Everything is made in FOLDER, or in one that is thrown away. Each line is what was tried, `ok` or `FAILED`, and how long
it took; what a command said goes to FOLDER/log. Exit code 1 where anything failed.
"""

from __future__ import annotations

import argparse
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Final

from archives import ROOT, copied, unpack

LOWEST: Final = (3, 11)
"""The lowest Python that `pyproject.toml` allows."""

EXTRAS: Final = "midi,player,paper"

QUICK: Final = tuple(
    f"tests/{folder}"
    for folder in ("core", "show", "wire", "cli", "journal", "learn", "live/test_timetable_live.py", "report", "sheet")
)
"""What is run on the lowest versions, but for tests of ports: what leans on a library's ways, and not on its API
alone, is among them."""

LIMIT_S: Final = 3_600.0

TRIED: Final[dict[str, tuple[str, ...]]] = {
    "version": ("stagectl", "--version"),
    "as a module": ("python", "-m", "stagectl", "--help"),
    "list": ("stagectl", "copy"),
    "copy": ("stagectl", "copy", "nine-songs", "-o", "my-show"),
    "rehearse": ("stagectl", "rehearse", "my-show"),
    "rehearse by name": ("stagectl", "rehearse", "setlists/three-songs"),
    "check": ("stagectl", "check", "my-show"),
    "sheet": ("stagectl", "sheet", "my-show", "-o", "sheet.html"),
    "sheet as PDF": ("stagectl", "sheet", "my-show", "-o", "sheet.pdf"),
    "make stems": ("python", "my-show/make_stems.py"),
    "backup": ("stagectl", "backup", "my-show", "-o", "my-show.zip"),
    "restore": ("stagectl", "restore", "my-show.zip", "-o", "again"),
    "MIDI": ("python", "-c", "import rtmidi; print(rtmidi.get_compiled_api())"),
    "completion": ("stagectl", "completion", "bash"),
    "schema": ("stagectl", "schema", "rig"),
}
"""What is tried in each environment, in a folder of its own."""

OF_THE_SDIST: Final = ("version", "rehearse by name", "MIDI", "schema")
"""What is tried again where the sdist was installed, which comes to the same wheel."""


class Tried:
    """What was tried so far."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.failed = 0
        self._log = (folder / "log").open("w")

    def run(self, what: str, command: Sequence[str | Path], cwd: Path, **env: str) -> bool:
        """Try a command, and say what came of it."""
        words = [str(word) for word in command]
        begun = time.monotonic()
        print(f"\n+ {what}: {' '.join(words)}", file=self._log, flush=True)
        clean = {name: value for name, value in os.environ.items() if not name.startswith(("PYTHON", "VIRTUAL_ENV"))}
        code = subprocess.run(
            words,
            stdin=subprocess.DEVNULL,
            stdout=self._log,
            stderr=subprocess.STDOUT,
            cwd=cwd,
            env={**clean, **env},
            timeout=LIMIT_S,
            check=False,
        ).returncode
        self.failed += code != 0
        print(
            f"{what:<44} {'ok' if code == 0 else f'FAILED ({code})':<12} {time.monotonic() - begun:7.1f} s", flush=True
        )
        return code == 0


def pythons() -> Iterator[tuple[tuple[int, int], Path]]:
    """Every Python from the lowest on: on the path, and where a version manager keeps more of them."""
    found: dict[tuple[int, int], Path] = {}
    places = [Path(place) for place in os.environ.get("PATH", "").split(os.pathsep)]
    places += sorted(Path.home().glob(".pyenv/versions/*/bin"))
    for place in places:
        for path in sorted(place.glob("python3.[0-9]*")):
            version = re.fullmatch(r"python3\.([0-9]+)", path.name)
            if version and (at := (3, int(version[1]))) >= LOWEST and at not in found:
                probe = subprocess.run([path, "-c", "import venv, ensurepip"], capture_output=True, check=False)
                if probe.returncode == 0:
                    found[at] = path
    yield from sorted(found.items())


def programs(tried: Tried, name: str, python: Path, *needs: str) -> Path | None:
    """The programs of a new environment, in which something is installed."""
    env = tried.folder / name
    bin_ = env / "bin"
    if not tried.run(f"{name}: environment", [python, "-m", "venv", env], tried.folder):
        return None
    installed = tried.run(f"{name}: install", [bin_ / "python", "-m", "pip", "install", "-q", *needs], tried.folder)
    return bin_ if installed else None


def archives(tried: Tried, tools: Path) -> tuple[Path, Path]:
    """The sdist and the wheel of the checkout as it stands, the wheel out of the sdist."""
    tree = copied(ROOT, tried.folder / "tree")
    made = tried.folder / "dist"
    if not tried.run("build", [tools / "python", "-m", "build", "-o", made, tree], tried.folder):
        raise SystemExit("there are no archives; see the log")
    (sdist,), (wheel,) = made.glob("*.tar.gz"), made.glob("*.whl")
    return sdist, wheel


def lowest(tried: Tried, tools: Path, python: Path, sdist: Path) -> None:
    """The quick part of the suite, from the sdist, on the lowest versions of what `pyproject.toml` names."""
    unpack(sdist, tried.folder)
    tree = tried.folder / sdist.name.removesuffix(".tar.gz")
    env, uv = tried.folder / "lowest", tools / "uv"
    into: list[str | Path] = ["--python", env / "bin" / "python"]
    lowest_first = ["--resolution", "lowest-direct", "-e", f"{tree}[test,midi]"]
    if (
        tried.run("lowest: environment", [uv, "venv", "-q", "--python", python, env], tried.folder)
        and tried.run("lowest: install", [uv, "pip", "install", "-q", *into, *lowest_first], tried.folder)
        and tried.run("lowest: which", [uv, "pip", "list", *into], tried.folder)
    ):
        build: list[str | Path] = [env / "bin" / "python", "-m", "hatchling", "build", "-t", "wheel", "-d", "lowest"]
        tried.run("lowest: build", build, tree)
        test: list[str | Path] = [
            env / "bin" / "python",
            "-m",
            "pytest",
            *QUICK,
            "-m",
            "not ports",
            "-q",
            "-n",
            "0",
            "-p",
            "no:cacheprovider",
        ]
        tried.run("lowest: tests", test, tree)


def main() -> None:
    """Try everything."""
    take = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    take.add_argument("folder", nargs="?", type=Path)
    take.add_argument("--only", action="append", default=[], metavar="3.N", help="one Python (may be repeated)")
    take.add_argument("--skip-lowest", action="store_true")
    given = take.parse_args()
    folder = (given.folder or Path(tempfile.mkdtemp(prefix="stagectl-matrix-"))).resolve()
    folder.mkdir(parents=True, exist_ok=True)
    known = dict(pythons())
    chosen = [at for at in known if not given.only or f"{at[0]}.{at[1]}" in given.only]
    if not chosen:
        raise SystemExit(f"none of these Pythons is here; known: {', '.join(f'{a}.{b}' for a, b in known)}")
    tried = Tried(folder)
    tools = programs(tried, "tools", known[chosen[0]], "build", "uv")
    if tools is None:
        raise SystemExit("there are no tools to build with; see the log")
    sdist, wheel = archives(tried, tools)
    for at in chosen:
        for archive, kind in ((wheel, "wheel"), (sdist, "sdist")):
            name = f"{at[0]}.{at[1]} {kind}"
            bin_ = programs(tried, name, known[at], f"{archive}[{EXTRAS}]")
            if bin_ is None:
                continue
            here = folder / f"{name} here"
            here.mkdir()
            for what in TRIED if kind == "wheel" else OF_THE_SDIST:
                program, *words = TRIED[what]
                tried.run(f"{name}: {what}", [bin_ / program, *words], here, STATE_DIRECTORY=str(here / "state"))
    if not given.skip_lowest:
        lowest(tried, tools, known[chosen[0]], sdist)
    print(f"{tried.failed} failed" if tried.failed else "all of it is well", flush=True)
    if given.folder is None and not tried.failed:
        shutil.rmtree(folder)
    else:
        print(f"see {folder}")
    sys.exit(bool(tried.failed))


if __name__ == "__main__":
    main()
