"""`stagectl keep` as people use it."""

from __future__ import annotations

import re
import sqlite3
import zlib
from contextlib import closing
from pathlib import Path

import pytest
import yaml
from click.testing import CliRunner

from keep.tour import Feet, Noise, journal, play, tour, write_show
from stagectl.cli.main import main
from stagectl.show.compile import compile_show
from stagectl.show.ears import setting_of
from stagectl.show.load import load_show


def run(*arguments: str | Path, code: int = 0) -> str:
    done = CliRunner().invoke(main, ["keep", *map(str, arguments)])
    assert done.exit_code == code, done.output + str(done.exception)
    return done.output


@pytest.fixture(scope="module")
def toured(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[Path], str]:
    folder = tmp_path_factory.mktemp("tour")
    _, paths = tour(folder, 2, noise=Noise(off=0.1, forgets=0, strays=0))
    return folder, paths, (folder / "setlist.yaml").read_text("utf-8")


@pytest.fixture
def show(toured: tuple[Path, list[Path], str]) -> Path:
    folder, _, text = toured
    for path in folder.glob("setlist.yaml*"):
        path.unlink()
    (folder / "setlist.yaml").write_text(text, "utf-8")
    return folder


def test_without_a_terminal_it_only_shows(show: Path, toured: tuple[Path, list[Path], str]) -> None:
    out = run(show, *toured[1])
    assert out.startswith("tour of sheds: 6 nights: 2026-11-25 The Long Barn, 2026-11-26 The Tin Hall")
    assert "setlist.yaml:4: base: singer: keys, up 2 dB\n    on " in out
    assert re.search(r"on [56] of 6 nights, in \d+ songs: median \+2 dB", out)
    assert "    - " + "  singer: {own: -6, guitar: -14, keys: -16," in out
    assert "    + " + "  singer: {own: -6, guitar: -14, keys: -14," in out
    assert "The Long Barn: singer: bass, up 3 dB\n    on 3 of 3 nights" in out
    assert "passing: keys player: bass: " in out
    assert "a hearing professional decide" in out
    assert out.endswith("Nothing was written; --accept says what to write.\n")
    assert (show / "setlist.yaml").read_text("utf-8") == toured[2]


def test_what_is_accepted_is_written_and_nothing_else(show: Path, toured: tuple[Path, list[Path], str]) -> None:
    out = run(show, *toured[1], "--accept", "venue")
    assert "2 changes written to " in out
    old, new = yaml.safe_load(toured[2]), yaml.safe_load((show / "setlist.yaml").read_text("utf-8"))
    old["venues"]["The Long Barn"]["singer"] = {"bass": "up 3"}
    old["venues"]["The Tin Hall"]["guitarist"] = {"keys": "down 2"}
    assert new == old
    (backup,) = show.glob("setlist.yaml.*.old")
    assert backup.read_text("utf-8") == toured[2]
    assert backup.name in out
    # `check` passes, and what is written already is not offered again.
    checked = CliRunner().invoke(main, ["check", str(show)])
    assert (checked.exit_code, checked.output.splitlines()[-1][:9]) == (0, "No faults")
    again = run(show, *toured[1])
    assert "singer: bass, up" not in again
    assert "singer: keys, up 2 dB" in again


def test_a_level_that_was_measured_at_the_old_base_stays_with_it(
    show: Path, toured: tuple[Path, list[Path], str]
) -> None:
    """Else the same night would be told to be less loud than it was."""
    rig = show / "rig.yaml"
    text = rig.read_text("utf-8")
    at = text.index("name: singer")
    rig.write_text(f"{text[:at]}measured: {{level: 90, how: by ear}}, {text[at:]}", "utf-8")
    try:
        was = setting_of(load_show(show)).listeners
        out = run(show, *toured[1], "--accept", "base")
        (said,) = re.findall(r"`singer` was measured at the base as it was: add `mix sum: (.*)` there", out)
        measured = next(one.measured for one in was if one.name == "singer")
        assert measured is not None and float(said) * 100 == measured.mix_sum
        rig.write_text(rig.read_text("utf-8").replace("level: 90,", f"level: 90, mix sum: {said},"), "utf-8")
        assert next(one.measured for one in setting_of(load_show(show)).listeners if one.name == "singer") == measured
    finally:
        rig.write_text(text, "utf-8")


def test_all_of_it_and_then_there_is_nothing_left(show: Path, toured: tuple[Path, list[Path], str]) -> None:
    run(show, *toured[1], "--accept", "all")
    out = run(show, *toured[1], "--accept", "all")
    assert "Nothing to keep: the setlist has what these nights came to." in out
    assert "the setlist was edited since" in out
    assert len(list(show.glob("setlist.yaml.*.old"))) == 1


def one_night(folder: Path, name: str, *, title: str = "tour of sheds") -> Path:
    path = folder / "setlist.yaml"
    path.write_text(path.read_text("utf-8").replace("tour of sheds", title), "utf-8")
    show = load_show(folder)
    feet = Feet(compile_show(show).plan)
    feet.nudge(feet.at(1, 20), "singer", "keys", 200)
    return journal(folder / "nights" / name, show, None, play(feet.plan, feet.events, feet.end()), 0)


def test_the_last_night_of_this_setlist_is_taken(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_show(tmp_path)
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    assert "there is no night of `tour of sheds` yet" in CliRunner().invoke(main, ["keep", str(tmp_path)]).output
    one_night(tmp_path, "2026-11-25T19-30-00.night")
    other = tmp_path / "other"
    one = one_night(write_show(other), "2026-11-26T19-30-00.night", title="another")
    one.rename(tmp_path / "nights" / one.name)
    # The last of all cannot be read: it may be of any setlist, and stands in nobody's way.
    (tmp_path / "nights" / "2026-11-27T19-30-00.night").write_bytes(b"SQLite format 3\0")
    out = run(tmp_path)
    assert out.startswith("tour of sheds: 1 night: 2026-11-25\n")
    assert "keys, up 2 dB\n    on 1 of 1 night, in 9 songs: median +2 dB" in out


def test_a_song_that_was_renamed_in_mid_show_and_back_is_no_stranger(tmp_path: Path) -> None:
    """Each stretch of the night is read by the files that it was played by."""
    path = one_night(write_show(tmp_path), "a.night")
    plain = run(tmp_path, path)
    first = load_show(tmp_path).setlist.songs[0].name
    with closing(sqlite3.connect(path)) as night, night:
        # After its last row the night was taken up with another name for a song that it had been at.
        (last,) = night.execute("SELECT max(id) FROM story").fetchone()
        for place, name, packed in night.execute("SELECT place, path, packed FROM files").fetchall():
            raw = zlib.compress(zlib.decompress(packed).replace(first.encode(), b"Another Name"))
            assert place or b"Another Name" in zlib.decompress(raw)
            night.execute("INSERT INTO files VALUES (?, ?, ?, ?)", (last, place, name, raw))
    out = run(tmp_path, path)
    assert "not in this show any more" not in out
    assert "keys, up 2 dB" in out and "keys, up 2 dB" in plain


def test_a_night_counts_once_whatever_its_copies_are_called(tmp_path: Path) -> None:
    """By another path, and as a copy; of two the one that goes on furthest counts."""
    path = one_night(write_show(tmp_path), "a.night")
    (tmp_path / "b.night").write_bytes(path.read_bytes())
    short = tmp_path / "short.night"
    short.write_bytes(path.read_bytes())
    with closing(sqlite3.connect(short)) as night, night:
        night.execute("DELETE FROM story WHERE id > 4")
    same = tmp_path / "nights" / ".." / "nights" / "a.night"
    alone = run(tmp_path, path)
    out = run(tmp_path, path, tmp_path / "b.night", same, short)
    left = [tmp_path / "b.night", same, short]
    assert out.startswith("".join(f"{one} is the same night as {path}, and left out\n" for one in left))
    assert out.endswith(alone)
    assert run(tmp_path, short, path).endswith(alone)
    assert f"{short} is the same night as {path}, and left out\n" in run(tmp_path, short, path)
    assert run(tmp_path, path, path) == alone


def test_at_a_terminal_each_change_is_asked_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """On a real terminal: a pseudo-terminal of the system's, and the program in a process of its own."""
    import pty
    import subprocess
    import sys

    write_show(tmp_path)
    path = one_night(tmp_path, "2026-11-25T19-30-00.night")
    ours, theirs = pty.openpty()
    command = [sys.executable, "-m", "stagectl", "keep", str(tmp_path), str(path)]
    with subprocess.Popen(command, stdin=theirs, stdout=theirs, stderr=theirs, close_fds=True) as process:
        import os

        os.close(theirs)
        said = b""
        os.write(ours, b"y\n")
        try:
            while block := os.read(ours, 4096):
                said += block
        except OSError:
            pass
        assert process.wait() == 0
    os.close(ours)
    assert b"    keep this? [y/N]: " in said
    assert b"1 change written to " in said
    assert "keys: -14, kick" in (tmp_path / "setlist.yaml").read_text("utf-8")


def test_what_is_wrong_is_said(tmp_path: Path) -> None:
    write_show(tmp_path)
    path = one_night(tmp_path, "1.night")
    assert "There is no journal at" in run(tmp_path, tmp_path / "none.night", code=1)
    assert "is not a journal of a night" in run(tmp_path, tmp_path / "rig.yaml", code=1)
    assert "'none' is not one of 'all', 'base', 'venue', 'song'" in run(tmp_path, "--accept", "none", code=2)
    setlist = write_show(tmp_path / "other") / "setlist.yaml"
    setlist.write_text(setlist.read_text("utf-8").replace("tour of sheds", "renamed"), "utf-8")
    out = run(setlist.parent, path, code=1)
    assert "this night was that of `tour of sheds`, and " in out and "is `renamed`" in out


def test_a_night_that_keeps_no_events_or_texts_that_are_none_is_refused(tmp_path: Path) -> None:
    """As one of an earlier version, whose layout had no place for them."""
    path = one_night(write_show(tmp_path), "1.night")
    with closing(sqlite3.connect(path)) as night, night:
        night.execute("UPDATE files SET packed = ? WHERE place = 0", (zlib.compress(b"title: none"),))
    assert f"{path}: the show that the journal keeps cannot be played any more" in run(tmp_path, path, code=1)
    with closing(sqlite3.connect(path)) as night, night:
        night.execute("DELETE FROM files")
    assert f"{path} is of an earlier version of stagectl, which kept no events" in run(tmp_path, path, code=1)


def test_what_makes_no_sense_in_a_journal_is_refused(tmp_path: Path) -> None:
    path = one_night(write_show(tmp_path), "1.night")
    with closing(sqlite3.connect(path)) as night, night:
        night.execute("UPDATE heard SET kind = 99")
    assert f"{path}: there is no kind of event 99" in run(tmp_path, path, code=1)


def test_a_night_that_was_played_from_here_counts_whatever_the_title_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    path = one_night(write_show(tmp_path), "2026-11-25T19-30-00.night")
    setlist = tmp_path / "setlist.yaml"
    setlist.write_text(setlist.read_text("utf-8").replace("tour of sheds", "renamed"), "utf-8")
    assert run(tmp_path) == run(tmp_path, path)
    assert run(tmp_path).startswith("renamed: 1 night: 2026-11-25\n")


def test_the_last_night_of_a_show_that_was_restored_lies_beside_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
    path = one_night(write_show(tmp_path / "show"), "2026-11-25T19-30-00.night")
    assert run(tmp_path / "show") == run(tmp_path / "show", path)
    (tmp_path / "show").rename(tmp_path / "moved")
    assert run(tmp_path / "moved") == run(tmp_path / "moved", tmp_path / "moved" / "nights" / path.name)


def test_a_night_from_where_nothing_is_any_more_is_none_to_learn_from(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The show has the same title, as copies have; where there is no other night, it may be this show, moved."""
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    write_show(tmp_path / "show")
    other = one_night(write_show(tmp_path / "other"), "2026-11-26T19-30-00.night")
    (tmp_path / "nights").mkdir()
    other.rename(tmp_path / "nights" / other.name)
    (tmp_path / "other").rename(tmp_path / "gone")
    assert run(tmp_path / "show").startswith("no night says that it was played from this folder; by its title it is ")
    own = one_night(tmp_path / "show", "2026-11-25T19-30-00.night")
    own.rename(tmp_path / "nights" / own.name)
    assert run(tmp_path / "show") == run(tmp_path / "show", tmp_path / "nights" / own.name)


def test_a_value_that_is_repeated_is_left_to_the_user(tmp_path: Path) -> None:
    """`&` and `*`: changing one would change the other."""
    write_show(tmp_path)
    setlist = tmp_path / "setlist.yaml"
    text = setlist.read_text("utf-8").replace("  singer: {own", "  singer: &mix {own")
    text = text.replace("venues:\n", "  # the same again\nvenues:\n  Both Sheds:\n    singer: *mix\n")
    setlist.write_text(text, "utf-8")
    path = one_night(tmp_path, "1.night")
    out = run(tmp_path, path, "--accept", "all")
    assert "by hand: line 4: it is repeated elsewhere (`*`). It would be `keys: -14`" in out
    assert out.endswith("Nothing was written.\n")
    assert setlist.read_text("utf-8") == text
