"""`stagectl report` through its own door: which night, where to, and what it never writes over."""

from __future__ import annotations

import json
import os
import stat
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from stagectl.cli.main import main
from stagectl.journal.paths import new_path
from stagectl.report.keep import keep
from stagectl.show.load import load_show

from .made import BEGUN_US, DEMO, END, HEAD, HERE, MINUTE, arrival, change, written

SOME = [HERE, arrival(MINUTE, "Slow Tram Home"), change(MINUTE, -600), END]


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
    (tmp_path / "spare").mkdir()
    monkeypatch.setattr("stagectl.journal.paths.tempfile.tempdir", str(tmp_path / "spare"))
    (tmp_path / "state" / "nights").mkdir(parents=True)
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    return tmp_path / "state" / "nights"


@pytest.fixture
def night(folder: Path) -> Path:
    return written(new_path(folder, BEGUN_US), SOME)


def run(*arguments: object) -> tuple[int, str, str]:
    found = CliRunner().invoke(main, ["report", *map(str, arguments)])
    return found.exit_code, found.stdout, found.stderr


def test_the_last_night_is_written_beside_its_name(night: Path, folder: Path) -> None:
    written(new_path(folder, BEGUN_US + 3_600_000_000), SOME, replace(HEAD, setlist="the later one"))
    assert run() == (0, "wrote 2026-11-25T21-00-00.html\n", "")
    assert "the later one" in Path("2026-11-25T21-00-00.html").read_text("utf-8")
    assert run(night, "-o", "night.html") == (0, "wrote night.html\n", "")
    assert "nine songs" in Path("night.html").read_text("utf-8")


def test_without_a_night_it_says_so() -> None:
    code, out, err = run()
    assert (code, out) == (1, "")
    assert "there is no night yet in" in err
    assert "There is no journal at" in run("nowhere.night")[2]


def test_standard_output_is_utf8_whatever_the_terminal(night: Path) -> None:
    told = subprocess.run(
        [sys.executable, "-m", "stagectl", "report", str(night), "-o", "-"],
        capture_output=True,
        check=True,
        env={**os.environ, "PYTHONIOENCODING": "ascii", "LC_ALL": "C"},
    )
    assert told.stderr == b""
    assert told.stdout.startswith(b"<!DOCTYPE html>") and told.stdout.endswith(b"</html>\n")


def test_json_has_the_same_figures(night: Path) -> None:
    code, out, _ = run("--json")
    assert code == 0
    found = json.loads(out)
    assert (found["kind"], found["setlist"], found["long_s"], found["has_end"]) == ("report", "nine songs", 4200, True)
    assert found["begun"] == "2026-11-25T21:00:00+01:00"
    assert found["songs"][0] | {"stayed_s": 0} == {
        "song": "Slow Tram Home",
        "began": "2026-11-25T21:01:00+01:00",
        "at": 60,
        "stayed_s": 0,
        "visits": 1,
        "planned": None,
    }
    assert found["listeners"][0]["inputs"] == {"lead vocal": [{"db": -6.0}]}
    assert found["ears"] is None and found["first_byte"] is None
    assert run("--json", "-o", "n.json") == (0, "wrote n.json\n", "")
    assert json.loads(Path("n.json").read_text("utf-8")) == found


def test_it_writes_over_its_own_reports_and_nothing_else(night: Path) -> None:
    work = Path("work.html")
    work.write_text("<p>my own page</p>", "utf-8")
    code, out, err = run("-o", work)
    assert (code, out) == (1, "")
    assert "work.html is there already and is no report of this program: --force writes over it" in err
    assert work.read_text("utf-8") == "<p>my own page</p>"
    assert run("-o", work, "--force")[0] == 0
    assert run("-o", work)[0] == 0
    assert run("-o", work, "--json")[0] == 0
    assert run("-o", work)[0] == 0
    assert "nine songs" in work.read_text("utf-8")
    assert [path.name for path in Path().iterdir()] == ["work.html"]


def test_where_nothing_may_be_written_no_night_is_added_up() -> None:
    """Said before a fault of the journal, which is known only when it was read."""
    Path("no.night").write_bytes(b"no journal")
    Path("work.html").write_text("<p>my own page</p>", "utf-8")
    assert "work.html is there already" in run("no.night", "-o", "work.html")[2]
    assert "no.night is not a journal" in run("no.night", "-o", "other.html")[2]
    assert {path.name for path in Path().iterdir()} == {"no.night", "work.html"}


def test_a_journal_is_never_written_over(night: Path) -> None:
    before = night.read_bytes()
    for forced in ((), ("--force",)):
        code, _, err = run(night, "-o", night, *forced)
        assert code == 1
        assert f"{night} is the journal of a night, and nothing is written over one" in err
        assert night.read_bytes() == before


def test_a_folder_and_a_place_that_is_not_there_are_said(night: Path) -> None:
    assert "is a folder: name a file in it" in run("-o", ".", "--force")[2]
    code, _, err = run("-o", "nowhere/night.html")
    assert code == 3
    assert "nowhere/night.html cannot be written: No such file or directory" in err


def test_a_link_stays_a_link_and_a_pipe_takes_it_as_it_is(tmp_path: Path) -> None:
    real, link = tmp_path / "real.html", tmp_path / "link.html"
    real.touch(mode=0o640)
    link.symlink_to(real)
    keep(link, "one", force=False)
    assert link.is_symlink() and real.read_text("utf-8") == "one"
    assert stat.S_IMODE(real.stat().st_mode) == 0o640
    keep(Path("/dev/null"), "two", force=True)
    assert stat.S_ISCHR(os.stat("/dev/null").st_mode)


def test_a_disk_that_fails_leaves_the_report_before(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "night.html"
    keep(path, "whole", force=False)

    def fails(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", fails)
    with pytest.raises(Exception, match="No space left on device"):
        keep(path, "half", force=True)
    assert path.read_text("utf-8") == "whole"
    assert {one.name for one in tmp_path.iterdir()} == {"night.html", "here", "spare", "state"}


def test_the_night_of_another_setlist_is_refused(tmp_path: Path) -> None:
    other = written(tmp_path / "n.night", SOME, replace(HEAD, setlist="another night"))
    code, out, err = run(other, "--setlist", DEMO, "-o", "-")
    assert (code, out) == (1, "")
    assert "`another night`" in err and "`nine songs`" in err
    # Played from that very file, it is that setlist's, whatever its title was.
    head = replace(HEAD, setlist="another night", path=str((DEMO / "setlist.yaml").resolve()))
    same = written(tmp_path / "m.night", SOME, head)
    assert run(same, "--setlist", DEMO, "--json")[0] == 0


def test_the_show_that_the_journal_kept_is_taken(tmp_path: Path) -> None:
    head = replace(HEAD, files=load_show(DEMO).files)
    kept = json.loads(run(written(tmp_path / "n.night", SOME, head), "--json")[1])
    named = json.loads(run(written(tmp_path / "m.night", SOME), "--setlist", DEMO, "--json")[1])
    assert kept["ears"] == named["ears"] is not None
    assert kept["timetable"] == named["timetable"] != {}


def test_a_show_that_cannot_be_taken_any_more_is_said(tmp_path: Path) -> None:
    files = dict.fromkeys(list(load_show(DEMO).files)[:1], b"title: nine songs\nno such key: 1\n")
    found = json.loads(run(written(tmp_path / "n.night", SOME, replace(HEAD, files=files)), "--json")[1])
    assert found["ears"] is None
    assert [
        note for note in found["notes"] if note.startswith("the show that the journal kept cannot be taken any more")
    ]
