"""`stagectl nights`: the list of the journals, judged by SQL of the tests' own."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from stagectl.cli.main import main
from stagectl.journal.paths import new_path, spare_nights
from stagectl.journal.write import Journal
from stagectl.story.rows import Row
from stagectl.story.sweeps import SWEEP_NS, WAITS

from .made import BEGUN_US, END, HEAD, HERE, MINUTE, SECOND, arrival, change, demo_rows, written


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
    monkeypatch.setattr("stagectl.journal.paths.tempfile.tempdir", str(tmp_path / "spare"))
    (tmp_path / "state" / "nights").mkdir(parents=True)
    (tmp_path / "spare").mkdir()
    return tmp_path / "state" / "nights"


def nights(*arguments: str) -> list[str]:
    run = CliRunner().invoke(main, ["nights", *arguments])
    assert (run.exit_code, run.stderr) == (0, "")
    return run.stdout.splitlines()


def test_none_yet_is_said(folder: Path) -> None:
    run = CliRunner().invoke(main, ["nights"])
    assert (run.exit_code, run.stdout) == (0, "")
    assert f"there is no night yet in {folder}" in run.stderr
    assert CliRunner().invoke(main, ["nights", "--json"]).stdout == ""


def test_a_line_says_what_a_night_was(folder: Path) -> None:
    path = written(new_path(folder, BEGUN_US), demo_rows())
    head, where, line = nights()
    assert head.split() == [
        "began",
        "setlist,",
        "venue",
        "long",
        "songs",
        "presses",
        "changes",
        "refused",
        "end",
        "size",
        "name",
    ]
    assert line.split()[-1] == path.stem
    assert where == f"{folder}:"
    assert line.split("  ")[2:4] == ["2026-11-25 21:00", "nine songs, Tidewater Hall"]
    (told,) = map(json.loads, nights("--json"))
    with closing(sqlite3.connect(path)) as connection:
        question = "SELECT what = 'read', count(*) FROM story WHERE kind = 'change' GROUP BY 1"
        assert dict(connection.execute(question)).get(0) == told["changes"]
        assert connection.execute("SELECT max(at) / 1e9 FROM story").fetchone()[0] == pytest.approx(told["long_s"])
        songs = {song for (song,) in connection.execute("SELECT song FROM story WHERE kind = 'arrival'")}
    # The night stays in each of its songs for a second at least.
    assert told["songs"] == len(songs)
    assert (told["has_end"], told["size"], told["path"]) == (True, path.stat().st_size, str(path))
    assert told["begun"] == "2026-11-25T21:00:00+01:00"


def test_songs_that_were_passed_through_and_the_base_do_not_count(folder: Path) -> None:
    some = [HERE, arrival(SECOND, "base"), arrival(MINUTE, "one"), arrival(MINUTE + SECOND // 2, "two"), END]
    more = [
        arrival(2 * MINUTE, "one", "chorus"),
        arrival(2 * MINUTE + SECOND // 2, "two", "verse"),
        Row(9 * MINUTE, "end"),
    ]
    written(new_path(folder, BEGUN_US), some)
    written(new_path(folder, BEGUN_US + 10**12), [*some[:-1], *more])
    # In the first night `one` lasts half a second; in the second night a second altogether.
    assert [json.loads(line)["songs"] for line in nights("--json")] == [1, 2]


def test_levels_that_were_read_are_no_changes(folder: Path) -> None:
    read = [change(SECOND, level, what="read", who="desk") for level in (-600, -700)]
    hand = change(MINUTE, -900, -600, what="hand", who="desk")
    written(new_path(folder, BEGUN_US), [HERE, *read, change(SECOND, -600, -700), hand, END])
    (one,) = map(json.loads, nights("--json"))
    assert (one["changes"], one["read"]) == (2, 2)
    assert nights()[2].split()[-6] == "2"
    report = json.loads(CliRunner().invoke(main, ["report", "--json"]).stdout)
    assert (report["counts"]["change"], report["changes_read"]) == (4, 2)
    assert [note for note in report["notes"] if note.startswith("2 levels were read from the desk; nobody moved")]
    page = CliRunner().invoke(main, ["report", "-o", "-"]).stdout
    assert "<dt>levels changed</dt><dd>2</dd>" in page


def test_a_sweep_of_a_treadle_counts_once_here_in_the_report_and_where_refusals_are_told(folder: Path) -> None:
    waits = {"who": "singer", "pedal": "board", "control": "treadle", "detail": WAITS}
    whose = {"who": "singer", "what": "ride", "pedal": "board", "control": "treadle", "gesture": "turn"}
    foot = {"who": "drummer", "what": "next", "pedal": "drum pedal", "control": "left"}

    def steps(begun: int, count: int) -> list[Row]:
        times = range(begun, begun + count * SECOND // 50, SECOND // 50)
        return [
            row
            for at in times
            for row in (Row(at, "press", at, **whose), Row(at, "refusal", at, what="voice", **waits))  # type: ignore[arg-type]
        ]

    next_ = [
        Row(MINUTE, "press", 1, gesture="press", **foot),  # type: ignore[arg-type]
        Row(MINUTE, "refusal", 1, detail="too soon", **foot),  # type: ignore[arg-type]
    ]
    # Two sweeps with a rest between, a foot, a sweep that goes on when the song has come.
    played = [*steps(SECOND, 43), *steps(5 * SECOND, 3), *next_, *steps(MINUTE + SECOND, 2)]
    played += [arrival(MINUTE + 2 * SECOND - 1, "one"), *steps(MINUTE + 2 * SECOND, 4), END]
    written(new_path(folder, BEGUN_US), [HERE, *played])
    (one,) = map(json.loads, nights("--json"))
    log = CliRunner().invoke(main, ["log", "--refused"]).stdout.splitlines()
    refused = [line for line in log if "refused (" in line]
    assert len(refused) == 5 and "(43 steps)" in refused[0]
    assert (one["refusals"], one["presses"]) == (5, 4)
    report = json.loads(CliRunner().invoke(main, ["report", "--json"]).stdout)
    assert (report["refused"], report["presses"]) == (5, 4)
    assert sum(reason["times"] for reason in report["refusals"]) == 5
    assert report["counts"]["refusal"] == 53
    page = CliRunner().invoke(main, ["report", "-o", "-"]).stdout
    assert "<dt>refusals</dt><dd>5</dd>" in page and "<dt>presses</dt><dd>4</dd>" in page


FOOT = st.sampled_from([("press", "left"), ("turn", "treadle"), ("turn", "other"), ("arrival", None), ("hand", None)])


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(st.integers(0, 2 * SWEEP_NS), FOOT, st.booleans()), max_size=25))
def test_as_many_are_refused_whoever_counts(folder: Path, some: list[tuple[int, tuple[str, str | None], bool]]) -> None:
    """By the lines of `log --refused`, and by counting as the words say it: what does not follow its like."""
    rows, now = [HERE], 0
    for press, (gap, (gesture, control), refused) in enumerate(some, 2):
        now += gap
        if gesture == "arrival":
            rows.append(arrival(now, f"song {press}", press=press))
        elif gesture == "hand":
            rows.append(change(now, -600, -700, what="hand", who="desk"))
        else:
            whose = {"who": "singer", "pedal": "board", "control": control}
            rows.append(Row(now, "press", press, what="it", gesture=gesture, **whose))  # type: ignore[arg-type]
            detail = WAITS if gesture == "turn" else "too soon"
            rows += [Row(now, "refusal", press, what="it", detail=detail, **whose)] if refused else []  # type: ignore[arg-type]
    path = folder / "a.night"
    path.unlink(missing_ok=True)
    written(path, [*rows, Row(now, "end")])
    (one,) = map(json.loads, nights("--json"))
    log = CliRunner().invoke(main, ["log", "--refused"]).stdout.splitlines()
    report = json.loads(CliRunner().invoke(main, ["report", "--json"]).stdout)
    assert one["refusals"] == report["refused"] == sum("refused (" in line for line in log)
    presses = [row for row in rows if row.kind == "press"]
    follows = sum(
        (row.gesture, row.control) == (last.gesture, last.control)
        for last, row in pairwise(presses)
        if row.gesture == "turn" and row.at - last.at <= SWEEP_NS
    )
    assert one["presses"] == report["presses"] == len(presses) - follows


def test_both_folders_are_listed_and_the_oldest_comes_first(folder: Path) -> None:
    spare = spare_nights()
    spare.mkdir(parents=True)
    for where, hours, rows in ((spare, 1, [HERE]), (folder, 0, [HERE, END]), (folder, 2, [HERE, END])):
        begun = BEGUN_US + hours * 3_600_000_000
        written(new_path(where, begun), rows, replace(HEAD, venue=None, begun_us=begun))
    told = [json.loads(line) for line in nights("--json")]
    assert [one["begun"][11:16] for one in told] == ["21:00", "22:00", "23:00"]
    assert [one["has_end"] for one in told] == [True, False, True]
    lines = nights()
    # Below each folder stand its own nights, and at the end the last of all.
    assert (lines[1], lines[3]) == (f"{spare}:", f"{folder}:")
    assert ["22:00" in lines[2], "21:00" in lines[4], "23:00" in lines[5]] == [True, True, True]


def test_a_file_that_cannot_be_read_has_a_line_that_says_why(folder: Path) -> None:
    written(new_path(folder, BEGUN_US), [HERE, END])
    (folder / "2026-01-01T00-00-00.night").write_bytes(b"no journal")
    (folder / "notes.txt").write_text("mine", "utf-8")
    newer = written(new_path(folder, BEGUN_US + 10**10), [HERE, END])
    with closing(sqlite3.connect(newer)) as connection:
        connection.execute("PRAGMA user_version = 99")
    cut = written(new_path(folder, BEGUN_US + 10**11), [change(at, -at) for at in range(5000)])
    cut.write_bytes(cut.read_bytes()[:60_000])
    odd = written(new_path(folder, BEGUN_US + 10**12), [HERE])
    with closing(sqlite3.connect(odd)) as connection, connection:
        connection.execute("UPDATE night SET begun = -1")
    lines = nights()
    assert len(lines) == 7
    assert [line for line in lines if "2026-01-01T00-00-00.night is" in line and "is not a journal of a night" in line]
    assert [line for line in lines if newer.name in line and "written by a newer version" in line]
    assert [line for line in lines if cut.name in line and "the file is damaged" in line]
    assert [line for line in lines if odd.name in line and "a night is between 1970 and 2200" in line]
    faults = [json.loads(line).get("fault") for line in nights("--json")]
    assert [fault is None for fault in faults] == [False, True, False, False, False]


def test_a_night_that_is_being_written_is_listed(folder: Path) -> None:
    with closing(Journal.create(new_path(folder, BEGUN_US), HEAD)) as journal:
        journal.write([HERE, arrival(SECOND, "one")], BEGUN_US)
        (told,) = map(json.loads, nights("--json"))
    assert (told["has_end"], told["songs"]) == (False, 0)


def test_a_name_does_not_break_the_table(folder: Path) -> None:
    written(new_path(folder, BEGUN_US), [HERE, END], replace(HEAD, setlist="a\nb\x1b[2J" + "x" * 200))
    lines = nights()
    assert len(lines) == 3
    assert "a?b?[2J" in lines[2] and "…" in lines[2]
