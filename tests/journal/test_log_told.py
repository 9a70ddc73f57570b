"""`stagectl log` with filters and as CSV, through its own door: on the demo night as it is rehearsed, and on hostile
names.

Outside judges: the csv module in strict mode, the grammar of RFC 4180 section 2 as a pattern.
"""

from __future__ import annotations

import csv
import io
import json
import re
import sqlite3
import time
from collections.abc import Sequence
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from hypothesis import given
from hypothesis import strategies as st

from stagectl.cli import log
from stagectl.cli.main import main
from stagectl.core.events import Moved
from stagectl.journal.csv_rows import COLUMNS, GUARDED, csv_text, guarded, header
from stagectl.journal.record import begin
from stagectl.journal.schema import Night
from stagectl.journal.write import Journal
from stagectl.rehearse.room import Room
from stagectl.rehearse.script import SCRIPT, read_script
from stagectl.show.compile import compile_show
from stagectl.show.load import load_show
from stagectl.story.heard import heard
from stagectl.story.rows import Row
from stagectl.story.words import lines
from stagectl.where import shipped

from .nights import CHANGE, NIGHT, PRESS, SILENCED, WALL

DEMO = shipped("setlists") / "nine-songs"

# RFC 4180, section 2: file = [header CRLF] record *(CRLF record) [CRLF]; a field is escaped or not. UTF-8 beyond ASCII
# is what its section 3 leaves to the charset.
_FIELD = r'(?:"(?:[\x20-\x21\x23-\x7e\x80-\U0010ffff,\r\n]|"")*"|[\x20-\x21\x23-\x2b\x2d-\x7e\x80-\U0010ffff]*)'
_RECORD = rf"{_FIELD}(?:,{_FIELD})*"
RFC_4180 = re.compile(rf"{_RECORD}(?:\r\n{_RECORD})*(?:\r\n)?")


@cache
def rehearsed() -> tuple[Row, ...]:
    """The rows of the demo night."""
    show = load_show(DEMO)
    compiled = compile_show(show, None)
    room = Room(show, compiled)
    presses = read_script(DEMO / SCRIPT, compiled.plan)
    return tuple(moment for moment in room.play(presses) if isinstance(moment, Row))


@pytest.fixture
def night(tmp_path: Path) -> Path:
    """Its journal: each press is written at its own time, in a zone an hour east."""
    path = tmp_path / "demo.night"
    with Journal.create(
        path, Night(setlist="nine songs", begun_us=WALL, zone="CET", zone_offset=3600, program="0")
    ) as out:
        for row in rehearsed():
            out.write([row], WALL + row.at // 1_000)
    return path


def told(path: Path, *flags: str) -> Result:
    result = CliRunner().invoke(main, ["log", "--journal", str(path), *flags])
    assert result.exit_code == 0, result.output
    return result


def objects(path: Path, *flags: str) -> list[dict[str, Any]]:
    return [json.loads(line) for line in told(path, "--json", *flags).output.splitlines()]


def parsed(path: Path, *flags: str) -> list[dict[str, str]]:
    text = told(path, "--csv", *flags).stdout_bytes.decode()
    assert RFC_4180.fullmatch(text)
    rows = list(csv.reader(io.StringIO(text, newline=""), strict=True))
    assert rows[0] == list(COLUMNS)
    return [dict(zip(rows[0], row, strict=True)) for row in rows[1:]]


def test_a_listener_s_part_of_the_demo_night(night: Path) -> None:
    everything = objects(night)
    of_singer = objects(night, "--listener", "singer")
    assert of_singer == [
        one
        for one in everything
        if (one["kind"] == "change" and one["listener"] == "singer")
        or (one["kind"] in ("press", "refusal") and one["who"] == "singer")
    ]
    assert {"press", "change"} <= {one["kind"] for one in of_singer} and len(of_singer) < len(everything)
    lines = told(night, "--listener", "singer").output.splitlines()
    assert lines[0].startswith("nine songs, 2026-11-25 20:30 CET")
    assert all(re.match(r"2\d:\d\d:\d\d +\d+:\d\d\.\d{3}  ", line) for line in lines[1:])


@pytest.mark.parametrize("flags", [("--listener", "singer"), ("--refused",), ("--pedal", "vocal pedal")])
def test_what_is_left_of_a_song_stands_below_its_arrival(night: Path, flags: tuple[str, ...]) -> None:
    """The last arrival above each line is the one above it in the whole log, and each stands there once."""
    arrivals = {*lines([row for row in rehearsed() if row.kind == "arrival"])}

    def below(told: Sequence[str]) -> tuple[list[tuple[str, str]], list[str]]:
        """The time of each line that is no arrival, with the arrival above it; and the arrivals."""
        above, out = [""], []
        for line in told[1:]:
            if line[9:] in arrivals:
                above.append(line)
            else:
                out.append((line[:21], above[-1]))
        return out, above

    whole, _ = below(told(night).output.splitlines())
    left, above = below(told(night, *flags).output.splitlines())
    assert 0 < len(left) < len(whole) and set(left) <= set(whole)
    assert len(above) == len(set(above)) > 2


def test_a_time_that_the_night_had_not_come_to_on_the_wall_is_one_into_it(night: Path) -> None:
    with closing(sqlite3.connect(night)) as connection, connection:
        (at,) = connection.execute("SELECT max(at) FROM story").fetchone()
        connection.execute(
            "INSERT INTO story (id, wall, at, kind) SELECT max(id) + 1, max(wall), ?, 'end' FROM story", (at,)
        )
    result = told(night, "--since", "0:44", "--json")
    assert [json.loads(line) for line in result.stdout.splitlines()] == objects(night, "--since", "0:00:44") != []
    assert "had not come to 0:44 on the wall" in result.stderr
    assert told(night, "--since", "0:00:44").stderr == ""


def test_the_songs_of_the_demo_night_are_all_of_it_from_the_first_arrival_on(night: Path) -> None:
    everything = objects(night)
    songs = list(dict.fromkeys(one["song"] for one in everything if one["kind"] == "arrival"))
    assert len(songs) > 5
    by_song = [one for song in songs for one in objects(night, "--song", song)]
    first = next(at for at, one in enumerate(everything) if one["kind"] == "arrival")
    assert sorted(map(json.dumps, by_song)) == sorted(map(json.dumps, everything[first:]))
    assert objects(night, "--song", songs[1])[0] | {"at": 0, "wall": ""} == (
        next(one for one in everything if one.get("song") == songs[1]) | {"at": 0, "wall": ""}
    )


def test_filters_are_joined(night: Path) -> None:
    everything = objects(night)
    pedal = next(one["pedal"] for one in everything if one["kind"] == "refusal" and "pedal" in one)
    refused = objects(night, "--pedal", pedal, "--refused")
    assert refused == [one for one in everything if one["kind"] == "refusal" and one.get("pedal") == pedal] != []
    at = refused[-1]["at"]
    minutes, seconds = divmod(at, 60)
    late = objects(night, "--refused", "--pedal", pedal, "--since", f"{int(minutes)}:{seconds:06.3f}")
    assert late == [one for one in refused if one["at"] >= round(at, 3)] != []


def test_since_by_the_clock_of_the_night_s_own_zone(night: Path) -> None:
    everything = objects(night)
    half = WALL + 60_000_000 - WALL % 60_000_000
    hour_east = datetime.fromisoformat(everything[0]["wall"]) + timedelta(hours=1)
    flags = ("--since", f"{hour_east:%H}:{hour_east.minute + 1:02d}")
    found = objects(night, *flags)
    assert found == [one for one in everything if datetime.fromisoformat(one["wall"]).timestamp() * 1e6 >= half] != []


def test_a_while_counts_back_from_the_end_of_a_night_that_is_over(tmp_path: Path) -> None:
    path = tmp_path / "over.night"
    with Journal.create(path, NIGHT) as out:
        out.write([PRESS], WALL)
        out.write([PRESS._replace(press=2)], WALL + 100_000_000)
        out.write([Row(0, "end")], WALL + 160_000_000)
    assert [one.get("press") for one in objects(path, "--since", "1 min ago")] == [2, None]
    assert [one.get("press") for one in objects(path, "--since", "59 s")] == [None]


def test_a_while_counts_back_from_the_last_row_of_a_night_that_nobody_plays_any_more(tmp_path: Path) -> None:
    """It was broken off a quarter of an hour ago; while it is played, that is a pause."""
    path = tmp_path / "broken.night"
    now_us = time.time_ns() // 1_000
    recorder = begin(path, replace(NIGHT, begun_us=now_us - 1_800_000_000), lambda _: None)
    for press, ago_us in enumerate((1_500_000_000, 900_000_000)):
        recorder.write([PRESS._replace(press=press)], now_us - ago_us)
    recorder.go()
    assert objects(path, "--since", "10 min") == []
    recorder.close()
    assert [one["press"] for one in objects(path, "--since", "10 min")] == [0, 1]
    assert [one["press"] for one in objects(path, "--since", "9 min")] == [1]


def test_slow_presses_and_late_sections(tmp_path: Path) -> None:
    path = tmp_path / "slow.night"
    with Journal.create(path, NIGHT) as out:
        out.write([PRESS._replace(number=12_500), CHANGE, PRESS._replace(press=2, number=900)], WALL)
        out.write([Row(9, "track", 3, "laptop", "reached", number=30_000, detail="0:10.000")], WALL)
        out.write([Row(9, "count", who="left", what="clock", number=99_999), PRESS._replace(press=4)], WALL)
    assert [one["kind"] for one in objects(path, "--slow", "5")] == ["press", "track"]
    assert [one["kind"] for one in objects(path, "--slow", "12.5")] == ["track"]
    assert [one["late (ms)"] for one in parsed(path, "--slow", "0.5")] == ["12.500", "0.900", "30.000"]
    assert told(path, "--slow", "50").output.splitlines()[1:] == ["Nothing of that in this night."]


def test_csv_says_what_json_says(night: Path) -> None:
    pairs = list(zip(parsed(night), objects(night), strict=True))
    assert {one["kind"] for _, one in pairs} >= {"press", "change", "arrival", "refusal", "track", "cue"}
    for line, one in pairs:
        assert datetime.fromisoformat(line["time"]) == datetime.fromisoformat(one["wall"])
        assert line["time"].endswith("+01:00")
        assert float(line["seconds"]) == pytest.approx(one["at"], abs=1e-6)
        for name in ("kind", "who", "pedal", "control", "gesture", "song", "section", "listener", "input"):
            assert line[name] == one.get(name, ""), (line, one)
        assert line["press"] == str(one.get("press", ""))
        assert line["what"] == one.get("cause" if one["kind"] == "change" else "what", "")
        for column, key in (("before (dB)", "from_db"), ("after (dB)", "to_db"), ("sent (dB)", "sent_db")):
            value = one.get(key)
            assert line[column] == (
                "" if value is None else "off" if value == "off" else f"{value:.2f}".rstrip("0").rstrip(".")
            )
        assert line["late (ms)"] == (f"{one['late_ms']:.3f}" if "late_ms" in one else line["late (ms)"])


HOSTILE = (
    "=1+1",
    "+1",
    "-1",
    "@x",
    "\t=1",
    "\r=1",
    "\n=1",
    "'=1",
    "＝1",
    "a,b",
    'say "x"',
    "two\r\nlines",
    "äöü",
    "\0",
    "",
)


@pytest.mark.parametrize("name", HOSTILE)
def test_no_text_is_taken_for_a_formula(tmp_path: Path, name: str) -> None:
    """CWE-1236: a cell is taken for one by how it begins."""
    path = tmp_path / "n.night"
    with Journal.create(path, NIGHT) as out:
        out.write([PRESS._replace(who=name, what=name), CHANGE._replace(input=name, before=-100), SILENCED], WALL)
    press, change, silenced = parsed(path)
    for cell in (press["who"], press["what"], change["input"]):
        assert not cell.startswith(tuple("=+-@\t\r\n＝＋－＠"))
        assert (cell.removeprefix("'") if cell.startswith("'") else cell) == name.replace("\0", "�").replace("\t", "�")
    assert (change["before (dB)"], silenced["before (dB)"], silenced["after (dB)"]) == ("-1", "", "off")


_TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=12) | st.sampled_from(HOSTILE)


@given(
    st.lists(st.builds(Row, st.integers(0, 10**14), st.just("press"), who=_TEXT, what=_TEXT, detail=_TEXT), max_size=5)
)
def test_any_text_comes_through_csv(rows: Sequence[Row]) -> None:
    text = header() + csv_text([(WALL, row) for row in rows], UTC)
    assert RFC_4180.fullmatch(text)
    back = list(csv.DictReader(io.StringIO(text, newline=""), strict=True))
    for line, row in zip(back, rows, strict=True):
        for name in ("who", "what", "detail"):
            assert line[name] == guarded(getattr(row, name) or "")
            assert not line[name].startswith(tuple(set(GUARDED) - {"'"}))


def test_csv_has_a_header_when_nothing_fits_and_while_it_is_followed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "n.night"
    with Journal.create(path, NIGHT) as out:
        out.write([PRESS], WALL)
        assert told(path, "--csv", "--refused").stdout_bytes == header().encode()

        def wait() -> bool:
            monkeypatch.setattr(log, "wait", lambda: False)
            out.write([PRESS._replace(press=2), CHANGE._replace(press=2)], WALL)
            return True

        monkeypatch.setattr(log, "wait", wait)
        assert [line["press"] for line in parsed(path, "--follow", "--pedal", "left")] == ["1", "2", "2"]


def test_a_name_that_is_not_there_is_wrong_usage_and_only_a_warning_while_the_night_goes_on(
    night: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    result = CliRunner().invoke(main, ["log", "--journal", str(night), "--listener", "singr"])
    assert (result.exit_code, result.stdout) == (2, "")
    assert (
        "Invalid value for --listener: there is no listener `singr` in this night; did you mean `singer`?"
        in result.stderr
    )
    monkeypatch.setattr(log, "wait", lambda: False)
    followed = CliRunner().invoke(
        main, ["log", "--journal", str(night), "--follow", "--song", "Slow Tram Hom", "--csv"]
    )
    assert (followed.exit_code, followed.stdout_bytes) == (0, header().encode())
    assert "did you mean `Slow Tram Home`?; waiting for it" in followed.stderr


@pytest.mark.parametrize(
    ("flags", "says"),
    [
        (["--json", "--csv"], "two ways of telling"),
        (["--refused", "--slow", "5"], "--refused or --slow"),
        (["--ears", "x", "--song", "y"], "without filters"),
        (["--ears", "x", "--csv"], "without --csv"),
        (["--since", "noon"], "`noon` is no time"),
        (["--slow", "-1"], "--slow"),
        (["--slow", "nan"], "--slow"),
    ],
)
def test_wrong_usage_tells_nothing(night: Path, flags: list[str], says: str) -> None:
    result = CliRunner().invoke(main, ["log", "--journal", str(night), *flags])
    assert (result.exit_code, result.stdout) == (2, ""), result.output
    assert says in " ".join(result.stderr.split())


def test_json_has_the_bytes_that_a_pedal_sent(tmp_path: Path) -> None:
    """Where the event at that very time came as bytes; what time alone made of a foot has none."""
    path = tmp_path / "n.night"
    moved = heard(Moved(pedal=0, control=1, value=127), PRESS.at, bytes.fromhex("b0667f"))
    with Journal.create(path, NIGHT) as out:
        out.write([PRESS, CHANGE], WALL, moved)
        out.write([PRESS._replace(press=2, at=PRESS.at + 600_000_000, gesture="hold")], WALL)
        out.write([], WALL, moved._replace(at=PRESS.at + 700_000_000))
        refusal = Row(PRESS.at + 700_000_001, "refusal", 3, "singer", pedal="left", detail="it was down already")
        out.write([refusal], WALL, moved._replace(at=refusal.at, said=None))
        out.write([refusal], WALL, moved._replace(at=refusal.at, said=b"\xf0\x7d\xf7"))
    with Journal.create(tmp_path / "osc.night", NIGHT) as out:
        out.write([PRESS], WALL, moved._replace(said=b"/foot/on\0\0\0\0,i\0\0\0\0\0\1"))
    assert [one.get("bytes") for one in objects(path)] == ["B0 66 7F", None, None, None, "F0 7D F7"]
    (button,) = objects(tmp_path / "osc.night")
    assert (button["osc"], button["bytes"][:11]) == ("/foot/on 1", "2F 66 6F 6F")


def test_a_part_that_is_printed_at_once_cuts_no_press_in_two(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "n.night"
    with Journal.create(path, NIGHT) as out:
        for press in range(5):
            out.write([CHANGE._replace(press=press, at=press, input=f"input {at}") for at in range(7)], WALL)
    whole = told(path).output
    monkeypatch.setattr("stagectl.cli.log_lines.AT_ONCE", 3)
    assert told(path).output == whole
    assert whole.count("7 levels of singer up 1.5 dB") == 5
