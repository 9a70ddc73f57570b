"""`stagectl sheet` through its own door: where to, which paper, which parts, and what it never writes over."""

from __future__ import annotations

import os
import re
import stat
import sys
from datetime import UTC
from pathlib import Path

import click
import pytest
from click.testing import CliRunner
from needs import needs_module

from stagectl.cli.main import main
from stagectl.cli.sheet import command
from stagectl.errors import DeviceError, StagectlError
from stagectl.sheet.facts import PARTS
from stagectl.sheet.page import MARK
from stagectl.sheet.style import SIZES
from stagectl.sheet.write import dated, is_ours, keep

from .made import feet


@pytest.fixture(autouse=True)
def show(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    return feet(tmp_path / "barn")


def run(*arguments: object) -> tuple[int, str, str]:
    found = CliRunner().invoke(main, ["sheet", *map(str, arguments)])
    return found.exit_code, found.stdout, found.stderr


def test_the_command_knows_the_same_parts_and_papers() -> None:
    choices = {option.name: option.type for option in command.params}
    for name, known in (("only", PARTS), ("paper", tuple(SIZES))):
        choice = choices[name]
        assert isinstance(choice, click.Choice) and tuple(choice.choices) == known


def test_where_to_has_to_be_said(show: Path) -> None:
    code, out, err = run(show)
    assert (code, out) == (2, "")
    assert "-o is missing" in err and "`-o barn.pdf`" in err and "`-o barn.html`" in err
    code, out, err = run(show, "-o", "sheet.doc")
    assert (code, out) == (2, "")
    assert "`sheet.doc` ends in none of .pdf, .html, .htm" in " ".join(err.split())
    assert os.listdir() == []


def test_a_page_for_a_venue_in_parts(show: Path) -> None:
    assert run(show, "--venue", "Upper Barn", "--only", "map", "--only", "cards", "-o", "a.html") == (
        0,
        "wrote a.html\n",
        "",
    )
    text = Path("a.html").read_text("utf-8")
    assert "Upper Barn" in text and "drum</bdi> -22" in text
    assert re.findall(r'<h2 id="([\w-]+)"', text) == ["card-1", "card-2", "map"]
    assert "@page{size:A4;" in text
    code, out, _ = run(show, "--paper", "LETTER", "--only", "inputs", "-o", "-")
    assert (code, out.count("<h2")) == (0, 1)
    assert "@page{size:letter;" in out and "@page wide{size:letter landscape}" in out


@pytest.mark.parametrize(
    ("arguments", "code", "says"),
    [
        (("--venue", "Uper Barn"), 2, "Upper Barn"),
        (("--paper", "a3"), 2, "'a3' is not one of 'a4', 'letter'"),
        (("--only", "patch"), 2, "'patch' is not one of"),
    ],
)
def test_wrong_usage_says_what_there_is(show: Path, arguments: tuple[str, ...], code: int, says: str) -> None:
    found = run(show, *arguments, "-o", "a.html")
    assert found[:2] == (code, "")
    assert says in " ".join(found[2].split())
    assert not Path("a.html").exists()


def test_a_show_with_faults_is_not_put_on_paper(show: Path) -> None:
    text = (show / "setlist.yaml").read_text("utf-8")
    (show / "setlist.yaml").write_text(text.replace("voice: up 10", "vioce: up 10"), "utf-8")
    code, out, err = run(show, "-o", "a.pdf")
    assert (code, out) == (1, "")
    assert re.search(r"setlist\.yaml:\d+: `vioce`", err) and "`voice`" in err
    assert os.listdir() == []


def test_nothing_of_others_is_written_over(show: Path) -> None:
    needs_module("weasyprint")
    for name, theirs in (("a.html", b"<!DOCTYPE html>my page"), ("a.pdf", b"%PDF-1.4\nmy score\n%%EOF\n")):
        Path(name).write_bytes(theirs)
        code, out, err = run(show, "-o", name)
        assert (code, out) == (1, "")
        assert f"{name} is there already and is no sheet of this program: --force writes over it" in err
        assert Path(name).read_bytes() == theirs
    assert run(show, "--force", "-o", "a.html")[0] == 0
    assert MARK in Path("a.html").read_text("utf-8")
    # Its own it writes over, and its mode stays.
    Path("a.html").chmod(0o640)
    assert run(show, "--only", "map", "-o", "a.html")[0] == 0
    assert stat.S_IMODE(Path("a.html").stat().st_mode) == 0o640
    assert sorted(os.listdir()) == ["a.html", "a.pdf"]
    Path("folder.html").mkdir()
    assert "is a folder: name a file in it" in run(show, "-o", "folder.html")[2]


def test_where_nothing_may_be_written_nothing_is_made(show: Path) -> None:
    """Said before a fault of the show, which is known only when it was read."""
    (show / "setlist.yaml").write_text("songs: [", "utf-8")
    Path("theirs.pdf").write_bytes(b"theirs")
    assert "theirs.pdf is there already and is no sheet" in run(show, "-o", "theirs.pdf")[2]
    code, out, err = run(show, "-o", "nowhere/a.pdf")
    assert (code, out) == (3, "")
    assert "nowhere/a.pdf cannot be written: No such file or directory" in err
    assert "nowhere" not in run(show, "-o", "a.pdf")[2]
    assert os.listdir() == ["theirs.pdf"]


def test_a_pdf_of_this_program_is_known_again(show: Path) -> None:
    needs_module("weasyprint")
    for _ in range(2):
        assert run(show, "--only", "inputs", "-o", "a.pdf") == (0, "wrote a.pdf\n", "")
        assert is_ours(Path("a.pdf"))
    # The mark has to stand in the trailer: a PDF that only speaks of it is not one.
    Path("b.pdf").write_bytes(b"%PDF-1.7\n" + b"stagectl sheet " + b"\0" * 9_000 + b"%%EOF\n")
    assert not is_ours(Path("b.pdf"))


@pytest.mark.parametrize("at", ["0", "9" * 18, "9" * 40, "-1", "9000"])
def test_a_trailer_that_is_elsewhere_than_a_pdf_says_makes_it_nobodys(tmp_path: Path, at: str) -> None:
    path = tmp_path / "theirs.pdf"
    path.write_bytes(b"%PDF-1.7\n" + b"\0" * 9_000 + f"startxref\n{at}\n%%EOF\n".encode())
    assert not is_ours(path)


def test_without_the_extra_it_says_how_to_get_it(show: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    code, out, err = run(show, "-o", "a.pdf")
    assert (code, out) == (1, "")
    assert "pip install 'stagectl[paper]'" in err and "print that from a browser" in err
    assert os.listdir() == []
    assert run(show, "-o", "a.html")[0] == 0


def test_what_cannot_be_written_leaves_nothing(tmp_path: Path) -> None:
    with pytest.raises(DeviceError, match="cannot be written: No such file"):
        keep(tmp_path / "nowhere" / "a.html", b"text", force=False)
    (tmp_path / "theirs.html").write_bytes(b"theirs")
    with pytest.raises(StagectlError):
        keep(tmp_path / "theirs.html", b"text", force=False)
    (tmp_path / "empty.html").write_bytes(b"")
    keep(tmp_path / "empty.html", b"text", force=False)
    assert (tmp_path / "empty.html").read_bytes() == b"text"


def test_the_date_is_that_of_the_newest_file(show: Path) -> None:
    for at, path in enumerate(sorted(show.iterdir())):
        os.utime(path, (0, 1_795_700_000 + at * 60))
    # 1,795,700,120 s after 1970-01-01T00:00Z, by `date -u -d @1795700120`.
    assert dated(map(str, show.iterdir()), UTC) == "files of 2026-11-26 13:35"
    assert dated([str(show / "gone.yaml")]) == "files of an unknown date"
