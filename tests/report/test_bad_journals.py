"""Journals that are empty, cut off, foreign, newer, or that no night could have written."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from stagectl.cli.main import main
from stagectl.journal.write import Journal
from stagectl.story.rows import Row

from .html import Page, outside, overlaps
from .made import DEMO, END, HEAD, HERE, MINUTE, SECOND, arrival, change, written


def report(*arguments: object) -> Result:
    return CliRunner().invoke(main, ["report", *map(str, arguments), "-o", "-"])


def sound(run: Result) -> Page:
    """The page, which is whole whatever the journal is."""
    assert run.exit_code == 0, run.output
    found = Page(run.stdout)
    assert found.faults == []
    assert list(overlaps(found)) == []
    assert outside(found) == []
    return found


@pytest.mark.parametrize("show", [(), ("--setlist", DEMO)], ids=["alone", "with the show"])
@pytest.mark.parametrize(
    "rows",
    [
        [],
        [HERE],
        [HERE, END],
        [HERE, change(SECOND, -600, what="recall"), change(2 * SECOND, -500, -600, "nudge"), END],
        [Row(-5 * SECOND, "press", 1, "singer", "next"), arrival(-SECOND, "Slow Tram Home")],
        [arrival(SECOND, "base"), arrival(2 * SECOND, "base"), END],
        [Row(SECOND, "arrival", 1), Row(SECOND, "change", 1), Row(SECOND, "refusal", 1), Row(SECOND, "link"), END],
        [Row(SECOND, "a kind that is not known"), END],
        [HERE, arrival(2**62, "Slow Tram Home"), Row(2**63 - 1, "end")],
        [Row(at, "press", at, "singer", "next", number=at) for at in (0, 5, 10**15)],
    ],
    ids=[
        "no rows",
        "a link",
        "no song",
        "no arrival",
        "before the beginning",
        "base",
        "nothing said",
        "kind",
        "far",
        "slow",
    ],
)
def test_any_story_makes_a_whole_page(tmp_path: Path, rows: list[Row], show: tuple[object, ...]) -> None:
    with closing(Journal.create(tmp_path / "n.night", HEAD)) as journal:
        for row in rows:
            journal.write([row], HEAD.begun_us)
    found = sound(report(tmp_path / "n.night", *show))
    assert "nine songs" in found.words
    as_json = CliRunner().invoke(main, ["report", str(tmp_path / "n.night"), *map(str, show), "--json"])
    assert json.loads(as_json.stdout)["counts"].keys() >= {row.kind for row in rows}


def test_a_journal_without_an_end_says_so(tmp_path: Path) -> None:
    found = sound(report(written(tmp_path / "n.night", [HERE, arrival(SECOND, "one")])))
    assert "the journal has no end, so this goes up to its last line" in found.words
    ended = sound(report(written(tmp_path / "m.night", [HERE, arrival(SECOND, "one"), END])))
    assert not [words for words in ended.words if "no end" in words]


def test_a_journal_that_is_being_written_is_read(tmp_path: Path) -> None:
    with closing(Journal.create(tmp_path / "n.night", HEAD)) as journal:
        journal.write([HERE, arrival(SECOND, "Slow Tram Home")], HEAD.begun_us)
        assert "Slow Tram Home" in sound(report(journal.path)).words
        journal.write([arrival(2 * MINUTE, "Ten Past Never")], HEAD.begun_us + 120_000_000)
        assert "Ten Past Never" in sound(report(journal.path)).words


@pytest.mark.parametrize("part", [0.9, 0.5, 0.2])
def test_what_is_left_of_a_journal_that_is_cut_off_is_told(tmp_path: Path, part: float) -> None:
    path = tmp_path / "n.night"
    rows = [HERE]
    for at in range(1, 400):
        rows += [arrival(at * MINUTE, f"song {at}"), *(change(at * MINUTE, -at, input=f"input {n}") for n in range(20))]
    written(path, rows)
    whole = path.read_bytes()
    path.write_bytes(whole[: int(len(whole) * part)])
    run = report(path)
    if run.exit_code:
        # So little is left that SQLite cannot find the beginning either.
        assert (run.exit_code, run.stdout) == (1, "")
        assert "cannot be read: the file is damaged" in run.stderr
        return
    found = sound(run)
    assert [
        words for words in found.words if words.startswith("the journal cannot be read to its end (the file is dam")
    ]
    assert "song 1" in found.words


def test_damage_in_the_middle_is_said(tmp_path: Path) -> None:
    path = tmp_path / "n.night"
    rows = [HERE, *(arrival(at * MINUTE, f"song {at}") for at in range(1, 3000))]
    with closing(Journal.create(path, HEAD)) as journal:
        journal.write(rows, HEAD.begun_us)
    raw = bytearray(path.read_bytes())
    middle = len(raw) // 2 // 4096 * 4096
    raw[middle : middle + 4096] = b"\xff" * 4096
    path.write_bytes(raw)
    found = sound(report(path))
    assert [words for words in found.words if words.startswith("the journal cannot be read to its end")]
    assert "song 1" in found.words


@pytest.mark.parametrize(
    ("statement", "says"),
    [
        ("PRAGMA user_version = 99", "was written by a newer version of stagectl"),
        ("DELETE FROM night", "is not a journal of a night"),
        ("DROP TABLE story", "cannot be read"),
        ("UPDATE night SET begun = 9000000000000000000", "a night is between 1970 and 2200"),
        ("UPDATE night SET begun = -5", "a night is between 1970 and 2200"),
    ],
)
def test_a_journal_that_says_nonsense_is_refused_in_a_sentence(tmp_path: Path, statement: str, says: str) -> None:
    path = written(tmp_path / "n.night", [])
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute(statement)
    run = report(path)
    if statement.startswith("DROP"):
        assert run.exit_code == 0 and "cannot be read" in run.stdout
        return
    assert (run.exit_code, run.stdout) == (1, "")
    assert says in run.stderr and "Traceback" not in run.stderr


def test_a_beginning_that_is_none_is_mended_by_the_rows(tmp_path: Path) -> None:
    path = written(tmp_path / "n.night", [HERE, END])
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE night SET begun = -5")
    assert "21:00 to 22:10" in sound(report(path)).text


@pytest.mark.parametrize("offset", [10**9, -(24 * 3600)])
def test_a_zone_that_is_none_is_utc_and_said(tmp_path: Path, offset: int) -> None:
    found = sound(report(written(tmp_path / "n.night", [HERE, END], replace(HEAD, zone_offset=offset))))
    assert "20:00 to 21:10" in found.text
    assert f"the journal's zone is {offset} s from UTC, which no zone is: times are UTC" in found.words


@pytest.mark.parametrize("bytes_", [b"", b"SQLite format 3\0", b"not a journal at all" * 50, b"SQLite format 3\0" * 60])
def test_a_foreign_file_is_refused(tmp_path: Path, bytes_: bytes) -> None:
    (tmp_path / "n.night").write_bytes(bytes_)
    run = report(tmp_path / "n.night")
    assert (run.exit_code, run.stdout) == (1, "")
    assert "is not a journal of a night" in run.stderr


def test_text_that_is_no_utf8_ends_what_can_be_read(tmp_path: Path) -> None:
    path = written(tmp_path / "n.night", [HERE, arrival(SECOND, "one"), arrival(MINUTE, "two"), END])
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE story SET song = CAST(x'ff41' AS TEXT) WHERE song = 'two'")
    found = sound(report(path))
    assert "one" in found.words
    assert [words for words in found.words if words.startswith("the journal cannot be read to its end")]
