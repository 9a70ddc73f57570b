"""The commands as their user meets them: words, exit codes, and what is printed where."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from forked import stagectl
from needs import needs_module

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "setlists" / "nine-songs"


SOUND = re.compile(r"^No faults(, [0-9]+ warnings?)?\.\n\Z", re.MULTILINE)


def test_check_of_the_demo_shows_passes() -> None:
    for show in ("nine-songs", "three-songs"):
        run = stagectl("check", f"setlists/{show}")
        assert (run.returncode, run.stderr) == (0, "")
        assert SOUND.search(run.stdout)
    assert stagectl("check", "setlists/nine-songs", "--venue", "Tidewater Hall").returncode == 0


@pytest.mark.parametrize("command", ["check {}", "schema rig", "rehearse {}", "sheet {} -o -"])
def test_a_full_disk_is_told_in_one_line(command: str) -> None:
    """What is written to it meets ENOSPC (full(4))."""
    if not Path("/dev/full").exists():
        pytest.skip("needs /dev/full")
    words = command.format("setlists/three-songs").split()
    with Path("/dev/full").open("wb") as full:
        done = subprocess.run(
            [sys.executable, "-m", "stagectl", *words], stdout=full, stderr=subprocess.PIPE, cwd=ROOT, check=False
        )
    assert done.returncode == 3
    assert done.stderr == b"stagectl: not all of it could be written: No space left on device\n"


def test_check_sums_the_demo_up() -> None:
    said = stagectl("check", "setlists/nine-songs").stdout
    assert "9 songs" in said
    assert "16 inputs" in said
    for name in ("singer", "drummer", "bassist", "guitarist", "keys player", "Tidewater Hall", "talking"):
        assert name in said
    # The guitarist's guitar goes from -5 dB to -11 dB: `down 6` over the base.
    assert "guitar in the mix of guitarist: -5 dB → -11 dB" in said


def test_three_planted_faults_are_all_named_with_their_lines(tmp_path: Path) -> None:
    show = tmp_path / "show"
    shutil.copytree(DEMO, show)
    plant(show / "setlist.yaml", "    lead vocal: -3\n", "    lead vocel: -3\n")
    plant(show / "setlist.yaml", "tracks: up 2}", "tracks: upp 2}")
    plant(show / "rig.yaml", "mapping: two-switch", "mapping: two-swich")
    run = stagectl("check", str(show))
    assert (run.returncode, run.stdout) == (1, "")
    lines = run.stderr.splitlines()
    assert len(lines) == 3
    for file, word, hint in (
        ("setlist.yaml", "lead vocel", "did you mean `lead vocal`"),
        ("setlist.yaml", "upp 2", "up 3"),
        ("rig.yaml", "two-swich", "did you mean `two-switch`"),
    ):
        place = f"{show / file}:{line_of(show / file, word)}:"
        assert any(line.startswith(place) and word in line and hint in line for line in lines), (place, lines)


def test_check_notes_a_script_that_does_not_fit_its_show(tmp_path: Path) -> None:
    show = tmp_path / "show"
    shutil.copytree(DEMO, show)
    script = show / "presses.yaml"
    script.write_text("presses:\n  - {at: 1, pedal: x, happens: unplug}\n  - {at: soon, pedal: y, happens: unplug}\n")
    run = stagectl("check", str(show))
    assert (run.returncode, run.stderr) == (0, "")
    assert f"  note: {script}:3: `at`: `soon` is not a time" in run.stdout
    assert SOUND.search(run.stdout)
    rows = "".join(f"  - {{at: {at}, pedal: stranger {at}, happens: unplug}}\n" for at in range(3))
    script.write_text(f"presses:\n{rows}")
    assert "; and 2 more faults of this script\n" in stagectl("check", str(show)).stdout
    script.unlink()
    assert "note: /" not in stagectl("check", str(show)).stdout


def test_presses_are_looked_for_here_and_then_beside_the_show() -> None:
    there = stagectl("rehearse", "setlists/nine-songs", "--presses", "take.mid")
    assert (there.returncode, there.stderr) == (0, "")
    assert there.stdout == stagectl("rehearse", "setlists/nine-songs", "--presses", f"{DEMO}/take.mid").stdout
    here = stagectl("rehearse", "setlists/three-songs", "--presses", "setlists/nine-songs/presses.yaml")
    assert (here.returncode, here.stdout) == (1, "")
    assert here.stderr.startswith("setlists/nine-songs/presses.yaml:")


def test_without_a_terminal_and_a_script_it_says_where_keys_stand_for_controls(tmp_path: Path) -> None:
    show = tmp_path / "show"
    shutil.copytree(DEMO, show)
    (show / "presses.yaml").unlink()
    run = stagectl("rehearse", str(show))
    assert (run.returncode, run.stdout) == (1, "")
    assert run.stderr == (
        f"{show}/presses.yaml: this show has no script of its own: name one with --presses, or rehearse at a terminal "
        "(without --json), where keys stand for the controls\n"
    )


def plant(path: Path, old: str, new: str) -> None:
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))


def line_of(path: Path, word: str) -> int:
    return next(at for at, line in enumerate(path.read_text().splitlines(), 1) if word in line)


@pytest.mark.parametrize(
    ("arguments", "code", "says"),
    [
        (("check", "setlists/none"), 1, "setlists/none: there is no such file or folder"),
        (("check",), 2, "SETLIST"),
        (("chek", "setlists/nine-songs"), 2, "there is no command `chek`; did you mean `check`?"),
        (("rehears", "setlists/nine-songs"), 2, "there is no command `rehears`; did you mean `rehearse`?"),
        (("xyzzy",), 2, "there is no command `xyzzy`; known: `run`, `ready`"),
        (("--chek",), 2, "No such option"),
        (("check", "setlists/nine-songs", "--venue", "Tidewater Hal"), 2, "did you mean `Tidewater Hall`"),
        (("schema", "song"), 2, "profile"),
        (("rehearse", "setlists/nine-songs", "--presses", "none.yaml"), 1, "there is no such file"),
        (("log", "--journal", "none.night"), 1, "none.night"),
        (("desk", "no-such-desk", "--inputs", "1", "--mixes", "1", "--osc", "127.0.0.1:9"), 1, "control-change"),
        (("run", "setlists/none"), 1, "there is no such file"),
    ],
)
def test_exit_codes(arguments: tuple[str, ...], code: int, says: str, tmp_path: Path) -> None:
    run = stagectl(*arguments, STATE_DIRECTORY=str(tmp_path))
    assert (run.returncode, run.stdout) == (code, "")
    assert says in run.stderr
    assert "Traceback" not in run.stderr


def test_a_device_that_is_not_there_is_exit_code_3() -> None:
    run = stagectl("ports", "--midi-api", "windows" if sys.platform != "win32" else "alsa")
    assert run.returncode == 3
    assert "No MIDI system answers" in run.stderr or "no MIDI system" in run.stdout


@pytest.mark.parametrize("kind", ["rig", "setlist", "mapping", "profile", "script"])
def test_schema_prints_json_schema(kind: str) -> None:
    said = json.loads(stagectl("schema", kind).stdout)
    assert said["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert said["type"] == "object"


def test_help_and_start_up_load_no_heavy_library() -> None:
    """What makes start-up slow is loaded where it is used; the figures are in the latency bench."""
    code = (
        "import sys, stagectl.cli.main\n"
        "from click.testing import CliRunner\n"
        "assert 'rehearse' in CliRunner().invoke(stagectl.cli.main.main, ['--help']).output\n"
        "print(*sorted(sys.modules))"
    )
    loaded = set(
        subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    )
    heavy = {"pydantic", "yaml", "mido", "rtmidi", "pythonosc", "rich", "sqlite3", "asyncio", "platformdirs"}
    assert loaded & heavy == set()


def test_a_reader_that_goes_away_is_no_traceback() -> None:
    with subprocess.Popen(
        [sys.executable, "-m", "stagectl", "rehearse", "setlists/nine-songs", "--json"],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        cwd=ROOT,
    ) as run:
        assert run.stdout is not None
        assert run.stderr is not None
        assert run.stdout.readline().startswith(b"{")
        run.stdout.close()
        assert run.stderr.read() == b""
    assert run.returncode == 0


def test_ports_shows_what_the_last_night_counted(tmp_path: Path) -> None:
    needs_module("rtmidi")
    from stagectl.journal.paths import new_path
    from stagectl.journal.schema import Night
    from stagectl.journal.write import Journal
    from stagectl.story.rows import Row

    night = Night(setlist="nine songs", begun_us=0, program="test")
    with Journal.create(new_path(tmp_path / "nights", 0), night) as journal:
        for number in (10, 1_440):
            journal.write([Row(number, "count", who="drum pedal", what="clock", number=number)], number)
        journal.write([Row(1_500, "count", who="keys pedal", what="half messages", number=0)], 1_500)
    run = stagectl("ports", STATE_DIRECTORY=str(tmp_path), TMPDIR=str(tmp_path))
    assert run.stdout.endswith("counted in the last night:\n  drum pedal: 1,440 of: clock\n")
