"""The wheel and the sdist: what is in them, and what comes out of them in a folder that is no checkout.

Outside judges: `zipfile`, `tarfile`, `pip`, the metadata as the standard library reads it (`email`, which is the format
of the core metadata of Python packages), and mypy for the types.
"""

from __future__ import annotations

import email
import json
import re
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest
from archives import ROOT, built, called, copied, installed, sources, unpack

import stagectl

STRAYS = (
    "setlists/nine-songs/stems/lanterns.wav",
    "setlists/nine-songs/__pycache__/make_stems.cpython-311.pyc",
    "stagectl/core/__pycache__/step.cpython-311.pyc",
    "mappings/__pycache__/none.pyc",
    "tests/__pycache__/none.pyc",
    "dist/stagectl-0.0.0.tar.gz",
    ".venv/pyvenv.cfg",
)
"""What may lie about in a checkout, and has no business in an archive."""


@pytest.fixture(scope="module")
def tree(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A checkout in which stems were made, and the program was played."""
    tree = copied(ROOT, tmp_path_factory.mktemp("tree"))
    for stray in STRAYS:
        (tree / stray).parent.mkdir(parents=True, exist_ok=True)
        (tree / stray).write_bytes(b"stray")
    return tree


@pytest.fixture(scope="module")
def sdist(tree: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sdist, unpacked."""
    folder = tmp_path_factory.mktemp("sdist")
    unpack(built(tree, "sdist", folder), folder)
    (unpacked,) = (path for path in folder.iterdir() if path.is_dir())
    return unpacked


@pytest.fixture(scope="module")
def wheel(sdist: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel that comes out of the sdist."""
    return built(sdist, "wheel", tmp_path_factory.mktemp("wheel"))


@pytest.fixture(scope="module")
def programs(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The programs of an environment with the wheel."""
    return installed(wheel, tmp_path_factory.mktemp("env") / "env")


def names(wheel: Path) -> dict[str, bytes]:
    """What is in a wheel."""
    with zipfile.ZipFile(wheel) as archive:
        assert archive.testzip() is None
        return {one.filename: archive.read(one) for one in archive.infolist() if not one.is_dir()}


def test_the_sdist_holds_every_file_of_the_checkout_and_no_other(tree: Path, sdist: Path) -> None:
    found = {path.relative_to(sdist).as_posix() for path in sdist.rglob("*") if path.is_file()}
    assert found - {"PKG-INFO"} == {name.as_posix() for name in sources(tree)}
    assert {"stagectl/core/step.py", "tests/core/test_levels.py", "README.md", "setlists/nine-songs/take.mid"} < found
    for name in sources(tree):
        assert (sdist / name).read_bytes() == (tree / name).read_bytes(), name


def test_the_wheel_holds_the_program_and_what_ships_with_it_and_no_other(tree: Path, wheel: Path) -> None:
    ships = {
        (name if name.parts[0] == "stagectl" else Path("stagectl", "data", name)).as_posix(): (tree / name).read_bytes()
        for name in sources(tree)
        if name.parts[0] in ("stagectl", "mappings", "setlists")
    }
    found = {name: raw for name, raw in names(wheel).items() if ".dist-info/" not in name}
    assert found.keys() == ships.keys()
    assert [name for name, raw in found.items() if raw != ships[name]] == []


def test_the_wheel_is_the_same_from_the_checkout_as_from_the_sdist(tree: Path, wheel: Path, tmp_path: Path) -> None:
    assert names(built(tree, "wheel", tmp_path)) == names(wheel)


def test_an_editable_installation_is_the_checkout_itself(tree: Path, tmp_path: Path) -> None:
    """PEP 660: what is installed is one line that puts the checkout on the path; what ships is found beside it."""
    code = f"from hatchling.build import build_editable; build_editable({str(tmp_path)!r})"
    subprocess.run([sys.executable, "-c", code], cwd=tree, check=True, capture_output=True)
    (made,) = tmp_path.glob("*.whl")
    found = {name: raw for name, raw in names(made).items() if ".dist-info/" not in name}
    assert [(Path(name).suffix, raw.decode().split()) for name, raw in found.items()] == [(".pth", [str(tree)])]


def test_the_version_stands_in_one_place(wheel: Path, programs: Path, tmp_path: Path) -> None:
    (metadata,) = (raw for name, raw in names(wheel).items() if name.endswith(".dist-info/METADATA"))
    assert email.message_from_bytes(metadata)["Version"] == stagectl.__version__
    assert wheel.name == f"stagectl-{stagectl.__version__}-py3-none-any.whl"
    for command in (("stagectl", "--version"), ("python", "-m", "stagectl", "--version")):
        said = called(programs, tmp_path, *command)
        assert (said.stdout, said.stderr) == (f"stagectl {stagectl.__version__}\n", "")
    text = [name for name in sources(ROOT) if name.suffix in (".py", ".toml") and name.parts[0] != "tests"]
    version = re.compile(rf"""["']{re.escape(stagectl.__version__)}["']""")
    assert [name for name in text if version.search((ROOT / name).read_text("utf-8"))] == [Path("stagectl/__init__.py")]


def test_the_installed_program_is_not_that_of_the_checkout(programs: Path, tmp_path: Path) -> None:
    said = called(programs, tmp_path, "python", "-c", "import stagectl; print(stagectl.__file__)").stdout
    assert Path(said.strip()).is_relative_to(programs.parent)


# One call after the other in one process: most of each is to load the libraries.
CALLS = """
import json, sys
from contextlib import redirect_stdout
from io import StringIO
from stagectl.cli.main import main

said = []
for words in json.loads(sys.argv[1]):
    with redirect_stdout(StringIO()) as out:
        main(words, prog_name="stagectl", standalone_mode=False)
    said.append(out.getvalue())
print(json.dumps(said))
"""


@pytest.mark.slow
def test_whoever_has_only_the_wheel_has_the_demo(programs: Path, tmp_path: Path) -> None:
    # As the help has it, and in no folder of ours.
    calls = (
        "rehearse setlists/three-songs",
        "sheet nine-songs -o sheet.html",
        "copy",
        "copy three-songs -o my-show",
        "copy osc-decibels -o my-show",
        "explain my-show --listener singer --input own",
        *(f"completion {shell}" for shell in ("bash", "zsh", "fish")),
    )
    words = json.dumps([call.split() for call in calls])
    run = called(programs, tmp_path, "python", "-c", CALLS, words, STATE_DIRECTORY=str(tmp_path / "state"))
    assert run.returncode == 0, (run.stdout[-500:], run.stderr[-500:])
    rehearsed, sheet, copies, _, _, explained, *completions = json.loads(run.stdout)
    assert "The virtual desk stands where every change asked it to." in rehearsed
    assert "\nwrote sheet.html\n" in "\n" + sheet
    assert "Slow Tram Home" in (tmp_path / "sheet.html").read_text("utf-8")
    assert "nine-songs" in copies and "two-switch" in copies
    assert "base" in explained
    assert all("stagectl" in one for one in completions)
    # An installed program is left as it was: it may belong to somebody else, and be shared.
    assert list((programs.parent).rglob("*.night")) == []
    assert sorted(path.name for path in tmp_path.iterdir()) == ["my-show", "sheet.html"]


def test_every_page_that_is_served_came_along(tree: Path, programs: Path, tmp_path: Path) -> None:
    """Each file that the pages ask for, by what the installed program itself would serve."""
    code = (
        "from stagectl.view import site; from pathlib import Path; here = Path(site.__file__).parent / 'static';"
        "print('\\n'.join(sorted(path.name for path in here.iterdir())))"
    )
    said = called(programs, tmp_path, "python", "-c", code)
    assert said.stdout.split() == sorted(
        name.name for name in sources(tree) if name.parts[:3] == ("stagectl", "view", "static")
    )


@pytest.mark.slow
def test_a_project_that_imports_it_sees_its_types(programs: Path, tmp_path: Path) -> None:
    """PEP 561: without `py.typed` in the wheel, mypy would know nothing, and find nothing."""
    (tmp_path / "mine.py").write_text("import stagectl\n\nversion: int = stagectl.__version__\nreveal_type(stagectl)\n")
    command = [sys.executable, "-m", "mypy", "--strict", "--cache-dir", str(tmp_path / "cache"), "mine.py"]
    command += ["--python-executable", str(programs / "python")]
    run = subprocess.run(command, capture_output=True, text=True, cwd=tmp_path, check=False)
    assert 'error: Incompatible types in assignment (expression has type "str"' in run.stdout, run.stdout + run.stderr
    assert "import-untyped" not in run.stdout and run.returncode == 1


@pytest.mark.slow
def test_its_tests_run_from_the_sdist(sdist: Path) -> None:
    """Those of the core, on the program beside them."""
    command = [
        sys.executable,
        "-m",
        "pytest",
        "tests/core/test_levels.py",
        "tests/core/test_purity.py",
        "-q",
        "-n",
        "0",
    ]
    code = "import stagectl; print(stagectl.__file__)"
    where = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=sdist, check=True).stdout
    assert Path(where.strip()).is_relative_to(sdist)
    run = subprocess.run([*command, "-p", "no:cacheprovider"], capture_output=True, text=True, cwd=sdist, check=False)
    assert run.returncode == 0, run.stdout + run.stderr
    assert re.search(r"\b[1-9][0-9]* passed|\.\.\.", run.stdout), run.stdout
