"""The last night in the rehearsal room: a real journal, whose events give the same night there.

Judged by the rows that the journal itself keeps, read with the sqlite3 module of the standard library.
"""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

import pytest
from recorded import record_night

from stagectl.core.events import DeskSaid, Wake
from stagectl.errors import JournalError
from stagectl.rehearse.drive import Drive
from stagectl.rehearse.last import Night, find, read
from stagectl.rehearse.room import Moment, Room, Timed
from stagectl.rehearse.script import read_script
from stagectl.show.compile import Compiled, compile_show
from stagectl.show.load import Show, load_show
from stagectl.story.rows import Row

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "setlists" / "nine-songs"
SECOND = 1_000_000_000

CORE = ("press", "arrival", "change", "refusal", "cue", "track", "told", "layer")
"""Kinds of rows that feet, players and tracks make; links are here from the beginning of a rehearsal."""

_KINDS = ", ".join(f"'{kind}'" for kind in CORE)


def show_of(folder: Path) -> tuple[Show, Compiled]:
    show = load_show(folder)
    return show, compile_show(show)


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A night of a copy of the demo, by its own script: the show's folder, and the journal."""
    place = tmp_path_factory.mktemp("night")
    folder = Path(shutil.copytree(DEMO, place / "show"))
    path = place / "nights" / "2026-11-25T19-30-00.night"
    path.parent.mkdir()
    presses = [one for one in read_script(folder / "presses.yaml", show_of(folder)[1].plan) if one.at < 120 * SECOND]
    record_night(folder, path, presses)
    return folder, path


def played(show: Show, compiled: Compiled, presses: Sequence[Timed]) -> list[Row]:
    """The rows of a night in the room, played at ten times the speed, looked at every 0.7 s."""
    seen: list[Moment] = []
    drive = Drive(Room(show, compiled), 0, seen.extend)
    drive.pace.change(0, speed=10)
    drive.play(SECOND, "the last night", presses, anew=Room(show, compiled))
    real = SECOND
    while drive.plays is not None:
        real += 700_000_000
        drive.go_on(real)
    drive.go_on(real + 20 * SECOND)
    assert drive.room.differences() == []
    return [one for one in seen if isinstance(one, Row)]


def test_it_is_the_night_that_the_journal_has(journal: tuple[Path, Path]) -> None:
    folder, path = journal
    show, compiled = show_of(folder)
    night = read(path, show, compiled.plan)
    assert night.left_out == 0
    assert night.name.startswith("the night of 2026-11-2")
    with closing(sqlite3.connect(path)) as connection:
        said = f"SELECT at, kind, press, what, song, section, listener, input FROM story WHERE kind IN ({_KINDS})"
        kept = connection.execute(said + " ORDER BY id").fetchall()
        (heard,) = connection.execute("SELECT count(*) FROM heard WHERE kind = 0").fetchone()
    rows = [row for row in played(show, compiled, night.presses) if row.kind in CORE]
    mine = [(r.at, r.kind, r.press, r.what, r.song, r.section, r.listener, r.input) for r in rows]
    assert len(night.presses) >= heard > 20
    assert mine[: len(kept)] == kept
    assert len(kept) > 150


def test_on_edited_files_feet_are_where_their_names_are(journal: tuple[Path, Path], tmp_path: Path) -> None:
    """A pedal renamed is left out; a song put in front is the first one that they come to."""
    folder, path = journal
    edited = Path(shutil.copytree(folder, tmp_path / "edited"))
    for name, old, new in (
        ("setlist.yaml", "songs:\n  - name: Lanterns", "songs:\n  - name: One Before\n\n  - name: Lanterns"),
        ("rig.yaml", "name: keys pedal\n", "name: organ pedal\n"),
    ):
        text = (edited / name).read_text("utf-8")
        assert text.count(old) == 1
        (edited / name).write_text(text.replace(old, new), "utf-8")
    show, compiled = show_of(edited)
    night = read(path, show, compiled.plan)
    assert night.left_out > 0
    arrivals = [row.song for row in played(show, compiled, night.presses) if row.kind == "arrival"]
    assert arrivals[:2] == ["One Before", "Lanterns at Low Tide"]


def test_hands_at_the_desk_are_left_out_and_that_is_said(tmp_path: Path) -> None:
    show, compiled = show_of(DEMO)
    moved = [Timed(at * SECOND, DeskSaid(send=0, level=-100 * at)) for at in (10, 20)]
    script = [one for one in read_script(DEMO / "presses.yaml", compiled.plan) if one.at < 5 * SECOND]
    record_night(DEMO, tmp_path / "n.night", [*script, *moved, Timed(30 * SECOND, Wake())])
    night = read(tmp_path / "n.night", show, compiled.plan)
    assert night.said.endswith(" events; 2 hands at the desk left out")
    assert not any(isinstance(one.event, DeskSaid) for one in night.presses)


def test_the_last_night_of_this_setlist_is_found_by_its_path(
    journal: tuple[Path, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder, path = journal
    monkeypatch.setenv("STATE_DIRECTORY", str(path.parents[1]))
    monkeypatch.setattr("stagectl.journal.paths.spare_nights", lambda: tmp_path / "spare")
    show, compiled = show_of(folder)
    warned: list[str] = []
    night: Night = find(show, compiled.plan, warned.append)
    assert night.presses
    assert warned == []
    other = load_show(DEMO)
    with pytest.raises(JournalError, match="there is no night of this setlist yet"):
        find(other, compiled.plan, warned.append)


def test_a_journal_that_is_none_is_said(tmp_path: Path) -> None:
    path = tmp_path / "x.night"
    path.write_bytes(b"no journal")
    show, compiled = show_of(DEMO)
    with pytest.raises(JournalError):
        read(path, show, compiled.plan)
