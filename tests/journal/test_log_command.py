"""`stagectl log`, through its own door."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from stagectl.cli import log
from stagectl.cli.main import main
from stagectl.journal.paths import new_path, spare_nights
from stagectl.journal.write import Journal
from stagectl.story.rows import Row
from stagectl.where import shipped

from .nights import CHANGE, NIGHT, PRESS, SILENCED, WALL, numbered

_HEADING = "Harbour set, Small club, 2026-11-25 20:30 CET"


@pytest.fixture(autouse=True)
def spare(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder of its own for the nights that could not be kept in the other one."""
    (tmp_path / "spare").mkdir()
    monkeypatch.setattr("stagectl.journal.paths.tempfile.tempdir", str(tmp_path / "spare"))
    return spare_nights()


@pytest.fixture
def journal(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Journal:
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    journal = Journal.create(new_path(tmp_path / "nights", WALL), NIGHT)
    journal.write([PRESS, CHANGE, SILENCED], WALL + 7_250_000)
    journal.close()
    return journal


def test_it_tells_the_last_night(journal: Journal) -> None:
    result = CliRunner().invoke(main, ["log"])
    assert result.exit_code == 0
    assert result.output.splitlines() == [
        _HEADING,
        "20:30:07   0:07.250  singer: more me (left, A, press)",
        "20:30:07   0:07.250    singer: lead vocal -6 dB → -4.5 dB",
        "20:30:07   0:07.250    singer: click to off",
    ]
    plain = CliRunner().invoke(main, ["log", "--no-clock"]).output.splitlines()
    assert plain == [_HEADING, *(line.removeprefix("20:30:07 ") for line in result.output.splitlines()[1:])]


def test_a_night_that_was_kept_in_the_temporary_folder_is_found(journal: Journal, spare: Path) -> None:
    spare.mkdir(parents=True)
    Journal.create(new_path(spare, WALL + 3_600_000_000), replace(NIGHT, setlist="Later set")).close()
    assert CliRunner().invoke(main, ["log"]).output.startswith("Later set")
    Journal.create(new_path(journal.path.parent, WALL + 7_200_000_000), replace(NIGHT, setlist="Last set")).close()
    assert CliRunner().invoke(main, ["log"]).output.startswith("Last set")


def test_a_night_that_was_only_tried_is_not_the_last_one(journal: Journal) -> None:
    """Two seconds after the show somebody tries a pedal, and ends it: the show is the last night all the same. One that
    runs still is told, whatever it has come to."""
    with Journal.create(new_path(journal.path.parent, WALL + 7_200_000_000), replace(NIGHT, setlist="Tried")) as tried:
        tried.write([PRESS], WALL + 7_200_000_000)
        assert CliRunner().invoke(main, ["log"]).output.startswith("Tried")
        tried.write([Row(9 * 10**9, "end")], WALL + 7_209_000_000)
    assert CliRunner().invoke(main, ["log"]).output.startswith(_HEADING)
    journal.path.unlink()
    assert CliRunner().invoke(main, ["log"]).output.startswith("Tried")


def test_a_count_of_none_is_told_to_nobody(journal: Journal) -> None:
    with Journal.create(new_path(journal.path.parent, WALL + 7_200_000_000), NIGHT) as later:
        later.write([Row(0, "count", who="floor board", what="clock", number=0)], WALL)
        assert CliRunner().invoke(main, ["log"]).output.splitlines() == [_HEADING]
        later.write([Row(at, "count", who="floor board", what="clock", number=at) for at in range(2)], WALL)
    _, line = CliRunner().invoke(main, ["log"]).output.splitlines()
    assert line.endswith("  floor board: 1 so far of: clock")


def test_json_has_one_object_a_line(journal: Journal) -> None:
    result = CliRunner().invoke(main, ["log", "--json", "--journal", str(journal.path)])
    press, change, silenced = map(json.loads, result.output.splitlines())
    assert press["kind"] == "press"
    assert change["wall"] == "2026-11-25T19:30:07.373456+00:00"
    assert (change["from_db"], change["to_db"]) == (-6.0, -4.5)
    assert (silenced["from_db"], silenced["to_db"]) == (None, "off")


def test_without_a_night_it_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    result = CliRunner().invoke(main, ["log"])
    assert (result.exit_code, result.stdout) == (1, "")
    assert "there is no night yet in" in result.stderr
    result = CliRunner().invoke(main, ["log", "--journal", str(tmp_path / "x.night")])
    assert (result.exit_code, result.stdout) == (1, "")
    assert "There is no journal at" in result.stderr


@pytest.mark.parametrize("end", [KeyboardInterrupt, None])
def test_follow_goes_on_until_it_is_interrupted_or_nobody_reads(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, end: type[BaseException] | None
) -> None:
    with Journal.create(tmp_path / "n.night", NIGHT) as journal:
        journal.write(numbered(0, 1), WALL)
        waits = 0

        def wait() -> bool:
            nonlocal waits
            waits += 1
            if waits == 3:
                if end is not None:
                    raise end
                return False
            journal.write(numbered(waits * 1_000_000_000, 1), WALL)
            return True

        monkeypatch.setattr(log, "wait", wait)
        result = CliRunner().invoke(main, ["log", "--follow", "--journal", str(journal.path)])
    assert result.exit_code == 0
    assert [line.split()[1] for line in result.output.splitlines()[1:]] == ["0:00.000", "0:01.000", "0:02.000"]
    assert result.stderr == ""


@pytest.mark.parametrize("flags", [[], ["--refused"], ["--json"]])
def test_follow_ends_with_the_night(journal: Journal, monkeypatch: pytest.MonkeyPatch, flags: list[str]) -> None:
    """Whether the end is among what is told or not, and whether it was there before or comes meanwhile."""
    waits = 0

    with Journal.create(journal.path.with_name("later.night"), NIGHT) as later:

        def wait() -> bool:
            nonlocal waits
            waits += 1
            assert waits < 3
            if waits == 2:
                later.write([Row(9_000_000_000, "refusal", 1, "singer", "up", detail="it is too soon")], WALL)
                later.write([Row(10_000_000_000, "end")], WALL)
            return True

        monkeypatch.setattr(log, "wait", wait)
        arguments = ["log", "--follow", "--journal", str(later.path), *flags]
        results = [CliRunner().invoke(main, arguments) for _ in range(2)]
    assert waits == 2
    assert [result.exit_code for result in results] == [0, 0] and results[0].output == results[1].output
    assert ("refus" in results[0].output, "the night is over" in results[0].output) == (True, not flags)


def test_a_night_is_named_as_the_list_names_it(
    journal: Journal, spare: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    spare.mkdir(parents=True)
    named = {journal.path: "Harbour set"}
    for folder, title in ((spare, "Later set"), (journal.path.parent, "Last set")):
        one = Journal.create(new_path(folder, WALL + len(named) * 3_600_000_000), replace(NIGHT, setlist=title))
        one.close()
        named[one.path] = title
    listed = [line.split()[-1] for line in CliRunner().invoke(main, ["nights"]).stdout.splitlines()]
    for path, title in named.items():
        assert path.stem in listed
        for name in (path.stem, path.name, str(path)):
            assert CliRunner().invoke(main, ["log", "--journal", name]).output.startswith(title)
            report = CliRunner().invoke(main, ["report", name, "--json"])
            assert json.loads(report.stdout)["setlist"] == title
    # A file that is here is meant first.
    monkeypatch.chdir(tmp_path)
    Journal.create(Path(journal.path.name), replace(NIGHT, setlist="here")).close()
    assert CliRunner().invoke(main, ["log", "--journal", journal.path.name]).output.startswith("here")
    assert CliRunner().invoke(main, ["log", "--journal", journal.path.stem]).output.startswith("Harbour set")


@pytest.mark.parametrize(
    "arguments", [["log", "--journal", "{}"], ["report", "{}"], ["replay", "{}"], ["keep", "{show}", "{}"]]
)
def test_a_name_that_no_night_has_is_said_with_the_nearest(journal: Journal, arguments: list[str]) -> None:
    wrong = journal.path.stem.replace("19", "18")
    show = shipped("setlists") / "nine-songs"
    result = CliRunner().invoke(main, [one.format(wrong, show=show) for one in arguments])
    assert (result.exit_code, result.stdout) == (1, "")
    assert f"There is no journal at {wrong}, and no night of that name in {journal.path.parent}" in result.stderr
    assert f"did you mean `{journal.path.stem}`?" in result.stderr


@pytest.mark.parametrize("follow", [[], ["--follow"]])
def test_a_reader_that_goes_away_ends_it_quietly(tmp_path: Path, follow: list[str]) -> None:
    """With `--follow` nothing more is ever written: only the closed pipe itself can end it."""
    path = tmp_path / "n.night"
    with Journal.create(path, NIGHT) as journal:
        journal.write([CHANGE._replace(at=at, press=at) for at in range(3 if follow else 5000)], WALL)
    told = [sys.executable, "-m", "stagectl", "log", "--journal", str(path), *follow]
    with subprocess.Popen(told, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as teller:
        assert teller.stdout is not None and teller.stderr is not None
        assert teller.stdout.readline().decode().strip() == _HEADING
        teller.stdout.close()
        assert teller.stderr.read() == b""
    assert teller.returncode == 0


def test_help_costs_no_journal() -> None:
    code = "import sys, stagectl.cli.log; print('sqlite3' in sys.modules, 'platformdirs' in sys.modules)"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert out.split() == ["False", "False"]
    result = CliRunner().invoke(main, ["log", "--help"])
    assert "stagectl log --follow" in result.output
