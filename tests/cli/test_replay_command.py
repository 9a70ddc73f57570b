"""`stagectl replay`: a night once more, on its own show and on another."""

from __future__ import annotations

import json
import re
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from recorded import record_night

from stagectl.cli.main import main
from stagectl.journal import read
from stagectl.story.entry import Heard
from stagectl.where import shipped


def replay(*arguments: str) -> Result:
    return CliRunner().invoke(main, ["replay", *arguments])


@pytest.fixture
def show(tmp_path: Path) -> Path:
    return Path(shutil.copytree(shipped("setlists") / "three-songs", tmp_path / "show"))


@pytest.mark.parametrize("name", ["three-songs", "nine-songs"])
def test_on_its_own_show_everything_is_the_same(tmp_path: Path, name: str) -> None:
    path = tmp_path / "a.night"
    record_night(shipped("setlists") / name, path)
    told = json.loads(replay(str(path), "--json").output)
    assert told["differ"] == [] and told["events"] > 20 and told["rows"] > 40


def test_the_show_may_be_gone(tmp_path: Path, show: Path) -> None:
    """Whatever becomes of it: it is in the journal."""
    path = tmp_path / "a.night"
    record_night(show, path)
    shutil.rmtree(show)
    result = replay(str(path))
    assert result.exit_code == 0, result.output
    assert result.output.splitlines()[-1].endswith("rows, all as in the journal")


def test_a_row_that_is_not_what_the_core_makes_of_it_is_told(tmp_path: Path, show: Path) -> None:
    path = tmp_path / "a.night"
    record_night(show, path)
    with closing(sqlite3.connect(path)) as connection, connection:
        changed = "(SELECT max(id) FROM story WHERE kind = 'change' AND level_after <> 'off')"
        connection.execute(f"UPDATE story SET level_after = level_after + 100 WHERE id = {changed}")
    result = replay(str(path))
    assert result.exit_code == 1
    was, now, end = result.output.splitlines()[-3:]
    assert was.endswith("(was)") and now.endswith("(now)") and "1 of " in end and "are not what the journal says" in end


def test_edited_files_show_what_would_have_been_different_and_nothing_else(tmp_path: Path, show: Path) -> None:
    path = tmp_path / "a.night"
    record_night(show, path)
    same = replay(str(path), "--setlist", str(show))
    assert same.exit_code == 0 and same.output.splitlines()[-1].endswith("nothing would have been different")
    setlist = show / "setlist.yaml"
    text = setlist.read_text()
    setlist.write_text(text.replace("Seven Gates", "Eight Gates"))
    other = replay(str(path), "--setlist", str(show))
    lines = other.output.splitlines()
    times = {line.split()[0] for line in lines[1:-1]}
    assert [line for line in lines if "Seven Gates    (was)" in line] and len(times) in (1, 2)
    assert lines[-1].endswith("would have led elsewhere")


def test_a_press_that_waits_while_the_desk_speaks_is_no_difference(tmp_path: Path, show: Path) -> None:
    """A double press may follow, so the press counts by time alone; what comes in first then is an answer of the desk,
    which another desk would not give."""
    mapping = (shipped("mappings") / "pedals" / "osc-buttons.yaml").read_text()
    both = mapping.replace("press: {nudge: own, by: +1}\n", "press: {nudge: own, by: +1}\n    double press: undo\n")
    (show / "osc-buttons.yaml").write_text(both)
    presses = [
        f"  - {{at: {at}, pedal: floor board, control: {control}, happens: press}}"
        for at, control in (
            ("0:01", "on"),
            ("0:01.2", "more"),
            ("0:05", "on"),
            ("0:05.1", "more"),
            ("0:08", "back"),
            ("0:08.3", "more"),
        )
    ]
    (show / "presses.yaml").write_text("\n".join(("presses:", *presses)) + "\n")
    path = tmp_path / "a.night"
    record_night(show, path)
    same = replay(str(path), "--setlist", str(show))
    assert [line.partition(": ")[2] for line in same.output.splitlines()[1:]] == ["nothing would have been different"]


def test_no_difference_is_told_in_the_same_words_twice(tmp_path: Path, show: Path) -> None:
    """Levels that many songs move alike are summed up in words that are the same on both sides."""
    path = tmp_path / "a.night"
    record_night(show, path)
    setlist = show / "setlist.yaml"
    base, songs, rest = setlist.read_text().partition("\nsongs:")
    setlist.write_text(re.sub(r": -(\d+)", lambda level: f": {1 - int(level[1])}", base) + songs + rest)
    pairs: dict[str, dict[str, list[str]]] = {}
    for line in replay(str(path), "--setlist", str(show)).output.splitlines()[1:-1]:
        said, _, which = line.rpartition("    ")
        when, _, what = said.strip().partition("  ")
        if what:
            pairs.setdefault(when, {}).setdefault(which, []).append(what)
    assert len(pairs) > 3
    for pair in pairs.values():
        assert pair["(was)"] != pair["(now)"]


def test_the_venue_of_the_night_counts_where_the_show_has_it(tmp_path: Path) -> None:
    """Nobody has to name it; where the show does not have it, that is said, and another may be named."""
    path, folder = tmp_path / "a.night", Path(shutil.copytree(shipped("setlists") / "nine-songs", tmp_path / "show"))
    record_night(folder, path, venue="Tidewater Hall")
    same = replay(str(path), "--setlist", str(folder))
    assert same.stderr == "" and same.output.splitlines()[-1].endswith("nothing would have been different")
    setlist = folder / "setlist.yaml"
    setlist.write_text(setlist.read_text().replace("Tidewater Hall", "Low Water Hall"))
    other = replay(str(path), "--setlist", str(folder))
    says = (
        "this show has no venue `Tidewater Hall`, where the night was: it is played without one; --venue names another"
    )
    assert (other.exit_code, other.stderr) == (0, f"{says}\n")
    named = replay(str(path), "--setlist", str(folder), "--venue", "Low Water Hall")
    assert named.stderr == "" and named.output.splitlines()[-1].endswith("nothing would have been different")
    none = replay(str(path), "--setlist", str(shipped("setlists") / "three-songs"))
    assert (none.exit_code, none.stderr) == (0, f"{says.partition(';')[0]}\n")
    wrong = replay(str(path), "--setlist", str(folder), "--venue", "Tidewater Hall")
    assert wrong.exit_code == 2 and "`Tidewater Hall` is not a venue of this setlist" in wrong.stderr


def test_what_was_played_is_counted_on_another_show_too(tmp_path: Path, show: Path) -> None:
    path = tmp_path / "a.night"
    record_night(show, path)
    own = json.loads(replay(str(path), "--json").output)
    other = json.loads(replay(str(path), "--setlist", str(show), "--json").output)
    assert (other["events"], other["rows"]) == (own["events"], own["rows"]) and own["rows"] > 40


def test_a_pedal_that_the_new_show_does_not_have_is_counted(tmp_path: Path, show: Path) -> None:
    path = tmp_path / "a.night"
    record_night(show, path)
    for file in ("rig.yaml", "setlist.yaml"):
        text = (show / file).read_text()
        (show / file).write_text(text.replace("floor board", "another board"))
    result = replay(str(path), "--setlist", str(show))
    assert "events left out, which this show has nothing for" in result.output
    told = json.loads(replay(str(path), "--setlist", str(show), "--json").output)
    assert told["left out"] > 20


def test_what_cannot_be_played_again_is_said_plainly(tmp_path: Path, show: Path) -> None:
    path = tmp_path / "a.night"
    record_night(show, path)
    assert "it is about the show that" not in replay(str(path)).output
    assert replay(str(path), "--venue", "nowhere").exit_code == 2
    wrong = replay(str(path), "--setlist", str(show), "--venue", "nowhere")
    assert wrong.exit_code == 2 and "nowhere" in wrong.output
    assert "There is no journal at" in replay(str(tmp_path / "none.night")).output
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("DELETE FROM files")
    old = replay(str(path))
    assert old.exit_code == 1 and "which kept no events" in old.output


@pytest.mark.parametrize("more", [[], ["--setlist", "show"]])
def test_a_night_that_is_still_played_is_played_again_as_it_was_at_one_moment(
    tmp_path: Path, show: Path, monkeypatch: pytest.MonkeyPatch, more: list[str]
) -> None:
    """What is written between the first look at the rows and the first one at the events belongs to neither."""
    path = tmp_path / "a.night"
    record_night(show, path)
    monkeypatch.chdir(tmp_path)
    with closing(sqlite3.connect(path, isolation_level=None)) as writer:
        writer.execute("PRAGMA journal_mode = WAL").fetchone()
        events = [number for (number,) in writer.execute("SELECT id FROM heard ORDER BY id")]
        since = events[len(events) // 2]
        later = {}
        for table in ("story", "heard"):
            later[table] = writer.execute(f"SELECT * FROM {table} WHERE id >= ?", (since,)).fetchall()
            writer.execute(f"DELETE FROM {table} WHERE id >= ?", (since,))
        real = read.events
        asked: list[int] = []

        def goes_on(connection: sqlite3.Connection, after_id: int = 0) -> Iterator[tuple[int, Heard]]:
            if not asked:
                for table, lines in later.items():
                    marks = ", ".join("?" * len(lines[0]))
                    writer.executemany(f"INSERT INTO {table} VALUES ({marks})", lines)
            asked.append(after_id)
            return real(connection, after_id)

        monkeypatch.setattr(read, "events", goes_on)
        result = replay(str(path), *more, "--json")
    assert result.exit_code == 0, result.output
    told = json.loads(result.output)
    assert asked and told["differ"] == [] and told["events"] == len(events) // 2
    monkeypatch.undo()
    assert json.loads(replay(str(path), "--json").output)["events"] == len(events)
