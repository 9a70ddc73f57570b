"""`stagectl backup` and `stagectl restore`, through their own doors, on both demo shows.

Outside judges: the zip by `unzip` and `zipinfo` where they are there, and by the standard library; the sums by
`sha256sum`; the journals by SQLite's own check.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import sqlite3
import subprocess
import sys
import threading
import zipfile
from collections.abc import Callable
from contextlib import closing
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any, BinaryIO

import pytest
from click.testing import CliRunner, Result

from stagectl.archive import pack as packing
from stagectl.archive.bounds import MANIFEST, RATIO_MAX
from stagectl.archive.disk import Disk
from stagectl.archive.gather import gather
from stagectl.archive.nights import LEVELS_MAX, night_pieces
from stagectl.archive.pack import pack
from stagectl.cli.main import main
from stagectl.errors import FileFaults, JournalError
from stagectl.journal.paths import new_path, spare_nights
from stagectl.journal.read import night, open_read, rows
from stagectl.journal.schema import Night
from stagectl.journal.write import Journal
from stagectl.show.load import load_show
from stagectl.story.rows import Row

from .hostile import SHOWS, listed, manifest, show, tree, zipped

WALL = 1_795_635_000_123_456
"""2026-11-25T19:30:00.123456Z, µs."""

HOUR_US = 3_600_000_000

BEGINS = 12
"""Lines of a show's script."""


@pytest.fixture(autouse=True)
def nights(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder of nights, and a spare one, of their own."""
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
    (tmp_path / "spare").mkdir()
    monkeypatch.setattr("stagectl.journal.paths.tempfile.tempdir", str(tmp_path / "spare"))
    return tmp_path / "state" / "nights"


def done(*arguments: str | Path) -> Result:
    result = CliRunner().invoke(main, [str(one) for one in arguments])
    assert result.exit_code == 0, result.output
    return result


def begun(folder: Path, hours: int = 0, title: str = "nine songs", path: str = "") -> Journal:
    """A night that began some hours after the first, of the setlist at a path where it says so."""
    wall = WALL + hours * HOUR_US
    night = Night(setlist=title, begun_us=wall, program="0", zero=len(str(folder)), path=path)
    journal = Journal.create(new_path(folder, wall), night)
    journal.write([Row(at, "press", at, who="singer", what="next") for at in range(50)], wall + HOUR_US // 2)
    return journal


def said(path: Path) -> dict[str, Any]:
    with zipfile.ZipFile(path) as found:
        manifest: dict[str, Any] = json.loads(found.read(MANIFEST))
        return manifest


@pytest.mark.slow
@pytest.mark.parametrize("name", SHOWS)
def test_what_comes_back_checks_and_rehearses_as_before(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A folder of the same name elsewhere, so that the places in what is said are the same."""
    for folder in ("before", "after"):
        (tmp_path / folder).mkdir()
    script = Path(shutil.copytree(show(name), tmp_path / "before" / "my show")) / "presses.yaml"
    # The beginning of a night tells as much as all of it.
    script.write_text("".join(script.read_text("utf-8").splitlines(keepends=True)[:BEGINS]), "utf-8")
    monkeypatch.chdir(tmp_path / "before")
    before = [done("check", "my show"), done("rehearse", "my show", "--json")]
    done("backup", "my show", "-o", tmp_path / "my show.zip")
    monkeypatch.chdir(tmp_path / "after")
    result = done("restore", tmp_path / "my show.zip")
    assert result.output.splitlines()[-1] == "Now: stagectl check 'my show'"
    after = [done("check", "my show"), done("rehearse", "my show", "--json")]
    assert [one.output for one in after] == [one.output for one in before]
    # What is restored needs nothing of the program's own files, and is the same backup again.
    monkeypatch.setattr("stagectl.show.load.shipped", lambda _: tmp_path / "nowhere")
    done("backup", "my show", "-o", "again.zip")
    assert {file["path"]: file["sha256"] for file in said(Path("again.zip"))["files"]} == {
        file["path"]: file["sha256"] for file in said(tmp_path / "my show.zip")["files"]
    }
    original = tree(tmp_path / "before" / "my show")
    restored = tree(tmp_path / "after" / "my show")
    assert original.items() - restored.items() == {
        (path, raw) for path, raw in original.items() if path.endswith(".py")
    }


def test_zip_and_sums_by_other_programs(tmp_path: Path, nights: Path) -> None:
    begun(nights).close()
    path, folder = tmp_path / "b.zip", tmp_path / "out"
    done("backup", show("nine-songs"), "-o", path)
    files = said(path)["files"]
    with zipfile.ZipFile(path) as found:
        assert found.testzip() is None
        assert [entry.filename for entry in found.infolist()] == [MANIFEST, *(file["path"] for file in files)]
        assert {entry.external_attr >> 16 for entry in found.infolist()} == {0o100644}
        for entry, file in zip(found.infolist()[1:], files, strict=True):
            # The format of MS-DOS counts in steps of 2 s.
            *day, second = datetime.fromisoformat(file["time"]).timetuple()[:6]
            assert entry.date_time == (*day, second // 2 * 2)
    done("restore", path, "-o", folder)
    sums = "".join(f"{file['sha256']}  {file['path']}\n" for file in files)
    judged = 0
    for program, arguments, given in (
        ("unzip", ["-t", str(path)], ""),
        ("zipinfo", ["-1", str(path)], ""),
        ("sha256sum", ["--check", "--strict", "-"], sums),
    ):
        if shutil.which(program) is None:
            continue
        run = subprocess.run(
            [program, *arguments], input=given, capture_output=True, text=True, cwd=folder, check=False
        )
        assert run.returncode == 0, run.stdout + run.stderr
        assert all(file["path"] in run.stdout for file in files)
        judged += 1
    if not judged:
        pytest.skip("none of unzip, zipinfo and sha256sum is here")


def test_the_same_content_is_the_same_backup(tmp_path: Path, nights: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    begun(nights).close()
    done("backup", show("nine-songs"), "-o", tmp_path / "a.zip")
    monkeypatch.setenv("TZ", "Asia/Kolkata")
    umask = os.umask(0o077)
    try:
        done("backup", show("nine-songs") / "setlist.yaml", "-o", tmp_path / "b.zip")
    finally:
        os.umask(umask)
    assert (tmp_path / "a.zip").read_bytes() == (tmp_path / "b.zip").read_bytes()


def test_the_manifest_and_what_is_not_in_it(tmp_path: Path) -> None:
    shutil.copytree(show("nine-songs"), tmp_path / "show")
    (tmp_path / "show" / "stems").mkdir()
    (tmp_path / "show" / "stems" / "rows.flac").write_bytes(bytes(12_345))
    (tmp_path / "show" / "notes.txt").write_text("not a part of it")
    (tmp_path / "show" / "other.yaml").write_text("presses:\n  - {at: 1, press: {}}\n")
    (tmp_path / "show" / "spare.yaml").write_text("controls: {}\n")
    os.utime(tmp_path / "show" / "rig.yaml", (2_000_000_000, 2_000_000_000))
    result = done("backup", tmp_path / "show", "-o", tmp_path / "b.zip")
    manifest = said(tmp_path / "b.zip")
    what = {file["path"]: file["what"] for file in manifest["files"]}
    assert what == {
        "setlist.yaml": "setlist",
        "rig.yaml": "rig",
        "control-change.yaml": "profile",
        "two-switch.yaml": "mapping",
        "switch-and-treadle.yaml": "mapping",
        "four-switches-with-lamps.yaml": "mapping",
        "presses.yaml": "presses",
        "other.yaml": "presses",
        "take.mid": "take",
    }
    shipped = {file["path"] for file in manifest["files"] if file["shipped"]}
    assert shipped == {path for path, kind in what.items() if kind in ("profile", "mapping")}
    assert (manifest["format"], manifest["title"], manifest["setlist"]) == (1, "nine songs", "setlist.yaml")
    assert manifest["when"] == "2033-05-18T03:33:20Z"
    assert {one["path"]: one["size"] for one in manifest["left"]}["stems/rows.flac"] == 12_345
    assert "Not in it: 4 sound files, to be copied by hand:" in result.output
    assert re.search(r"stems/rows.flac +12 kB\n", result.output)
    assert re.search(r"stems/lanterns.flac +it was not there\n", result.output)
    assert "There is no night of this setlist yet." in result.output
    done("restore", tmp_path / "b.zip", "-o", tmp_path / "out")
    assert (tmp_path / "out" / "rig.yaml").stat().st_mtime == 2_000_000_000


def test_nothing_is_written_over(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "b.zip").write_text("mine")
    result = CliRunner().invoke(main, ["backup", str(show("three-songs")), "-o", str(tmp_path / "b.zip")])
    assert (result.exit_code, result.stdout) == (1, "")
    assert result.stderr == f"{tmp_path / 'b.zip'}: it is there already, and nothing is written over\n"
    assert tree(tmp_path) == {"b.zip": b"mine"}

    class Late(Disk):
        def put_file(self, made: Path, path: Path) -> None:
            path.write_text("theirs")
            super().put_file(made, path)

    with pytest.raises(FileFaults, match="it is there already"):
        pack(gather(load_show(show("three-songs"))), tmp_path / "c.zip", Late())
    assert tree(tmp_path) == {"b.zip": b"mine", "c.zip": b"theirs"}
    monkeypatch.setattr("os.link", _no_links)
    with pytest.raises(FileFaults, match="it is there already"):
        pack(gather(load_show(show("three-songs"))), tmp_path / "d.zip", Late())
    pack(gather(load_show(show("three-songs"))), tmp_path / "e.zip")
    assert sorted(tree(tmp_path)) == ["b.zip", "c.zip", "d.zip", "e.zip"]
    assert zipfile.ZipFile(tmp_path / "e.zip").testzip() is None


def test_of_two_that_are_made_under_one_name_the_first_stays(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The second begins when the first has written all but its end, and is in the midst of it when the first is done;
    also where there are no hard links."""
    found, path = gather(load_show(show("three-songs"))), tmp_path / "b.zip"
    pack(found, tmp_path / "whole.zip")
    whole = (tmp_path / "whole.zip").read_bytes()

    class First(Disk):
        def finish(self, file: BinaryIO) -> None:
            super().finish(file)
            with pytest.raises(FileFaults, match="it is there already"):
                pack(found, path, Second(partial(self.gets_its_name, Path(file.name))))

        def gets_its_name(self, made: Path) -> None:
            super().put_file(made, path)
            assert path.read_bytes() == whole

        def put_file(self, made: Path, path: Path) -> None:
            assert not made.exists()

    class Second(Disk):
        def __init__(self, meanwhile: Callable[[], None]) -> None:
            self.meanwhile = meanwhile

        def begin(self, path: Path) -> BinaryIO:
            file = super().begin(path)
            self.meanwhile()
            return file

    for link in (os.link, _no_links):
        monkeypatch.setattr("os.link", link)
        pack(found, path, First())
        assert tree(tmp_path) == {"whole.zip": whole, "b.zip": whole}
        path.unlink()


def _no_links(*_: Any) -> None:
    raise PermissionError(1, "Operation not permitted")


def test_without_a_name_it_has_that_of_the_folder_and_the_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    done("backup", show("three-songs"))
    (path,) = tmp_path.glob("*.zip")
    assert path.name.startswith("three-songs-2") and len(path.stem) == len("three-songs-2026-11-25T19-30-00")
    result = CliRunner().invoke(main, ["backup", str(show("three-songs")), "-o", "none/b.zip"])
    assert (result.exit_code, result.stderr) == (1, "none/b.zip: there is no folder none to write it into\n")


def test_a_show_with_faults_is_told_as_check_tells_it(tmp_path: Path) -> None:
    (tmp_path / "setlist.yaml").write_text("songs: 1\n")
    backup = CliRunner().invoke(main, ["backup", str(tmp_path), "-o", str(tmp_path / "b.zip")])
    check = CliRunner().invoke(main, ["check", str(tmp_path)])
    assert (backup.exit_code, backup.stderr) == (1, check.stderr)
    assert sorted(tree(tmp_path)) == ["setlist.yaml"]


def test_a_rig_in_another_folder_stays_beside_the_show(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shutil.copytree(show("three-songs"), tmp_path / "all" / "tour")
    (tmp_path / "all" / "rigs").mkdir()
    (tmp_path / "all" / "tour" / "rig.yaml").rename(tmp_path / "all" / "rigs" / "trio.yaml")
    setlist = tmp_path / "all" / "tour" / "setlist.yaml"
    text = setlist.read_text()
    setlist.write_text(text.replace("rig: rig.yaml", "rig: ../rigs/trio.yaml"))
    done("backup", tmp_path / "all" / "tour", "-o", tmp_path / "b.zip")
    result = done("restore", tmp_path / "b.zip", "-o", tmp_path / "new")
    assert result.output.splitlines()[-1] == f"Now: stagectl check {tmp_path / 'new' / 'tour'}"
    assert sorted(tree(tmp_path / "new")) == [
        "rigs/osc-buttons.yaml",
        "rigs/osc-decibels.yaml",
        "rigs/trio.yaml",
        "tour/presses.yaml",
        "tour/setlist.yaml",
    ]
    done("check", tmp_path / "new" / "tour")
    setlist.write_text(text.replace("rig: rig.yaml", f"rig: {tmp_path / 'all' / 'rigs' / 'trio.yaml'}"))
    whole = CliRunner().invoke(main, ["backup", str(setlist), "-o", str(tmp_path / "c.zip")])
    assert whole.exit_code == 1
    assert whole.stderr.startswith(f"{setlist}:3: ") and "is a whole path" in whole.stderr


@pytest.mark.skipif(os.name == "nt", reason="no such file can be there")
def test_a_file_beside_the_show_that_another_system_could_not_hold_keeps_back_nothing_else(tmp_path: Path) -> None:
    """The show does not name it. It is left out, said, and listed, also where its name is none for a line."""
    folder = Path(shutil.copytree(show("three-songs"), tmp_path / "show"))
    odd = ["Take.mid", "aux.mid", "sound\ncheck.mid", "soundcheck 19:30.mid", "take.mid"]
    for name in odd:
        shutil.copy(show("nine-songs") / "take.mid", folder / name)
    shutil.copy(folder / "presses.yaml", folder / "what?.yaml")
    path = tmp_path / "b.zip"
    result = done("backup", folder, "-o", path)
    lines = result.stderr.splitlines()
    assert [re.sub(".*it cannot be backed up as ", "", line) for line in lines] == [
        f"{says}; it is not in the backup"
        for says in (
            "`aux.mid`: `aux.mid` is the name of a device on Windows",
            "`sound\\ncheck.mid`: its name has control characters",
            "`soundcheck 19:30.mid`: Windows allows no `:` in a name",
            "`take.mid`: it differs from `Take.mid` by case or accents alone",
            "`what?.yaml`: Windows allows no `?` in a name",
        )
    ]
    assert all(line.startswith(f"stagectl: warning: {folder}") for line in lines)
    assert "Not in it: 4 takes, 1 press script, to be copied by hand:\n" in result.stdout
    assert [one["path"] for one in said(path)["left"]] == [
        *("aux.mid", "sound\\ncheck.mid", "soundcheck 19:30.mid", "take.mid", "what?.yaml")
    ]
    assert {file["path"] for file in said(path)["files"]} >= {"setlist.yaml", "presses.yaml", "Take.mid"}
    assert "4 takes, 1 press script, to be" in done("restore", path, "-o", tmp_path / "new").stdout


@pytest.mark.skipif(os.name == "nt", reason="no such file can be there")
def test_a_file_that_the_show_names_has_to_be_restored_everywhere(tmp_path: Path) -> None:
    folder = Path(shutil.copytree(show("three-songs"), tmp_path / "show"))
    (folder / "rig.yaml").rename(folder / "aux.yaml")
    setlist = folder / "setlist.yaml"
    setlist.write_text(setlist.read_text().replace("rig: rig.yaml", "rig: aux.yaml"))
    result = CliRunner().invoke(main, ["backup", str(folder), "-o", str(tmp_path / "b.zip")])
    assert result.exit_code == 1 and not (tmp_path / "b.zip").exists()
    assert result.stderr.endswith("`aux.yaml`: `aux.yaml` is the name of a device on Windows\n")


@pytest.mark.skipif(os.name == "nt", reason="links are not for every user")
def test_a_show_behind_a_link_is_backed_up_as_where_it_lies(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its rig lies above it: `..` of the link is another folder than `..` of what it leads to."""
    shutil.copytree(show("three-songs"), tmp_path / "tour" / "berlin")
    (tmp_path / "tour" / "berlin" / "rig.yaml").rename(tmp_path / "tour" / "rig.yaml")
    setlist = tmp_path / "tour" / "berlin" / "setlist.yaml"
    setlist.write_text(setlist.read_text().replace("rig: rig.yaml", "rig: ../rig.yaml"))
    (tmp_path / "tonight").symlink_to(Path("tour", "berlin"))
    monkeypatch.chdir(tmp_path)
    done("backup", "tour/berlin", "-o", "a.zip")
    done("backup", "tonight", "-o", "b.zip")
    done("backup", "tonight/setlist.yaml", "-o", "c.zip")
    monkeypatch.chdir(tmp_path / "tonight")
    done("backup", ".", "-o", tmp_path / "d.zip")
    whole = (tmp_path / "a.zip").read_bytes()
    assert [(tmp_path / f"{name}.zip").read_bytes() == whole for name in "bcd"] == [True] * 3
    done("restore", tmp_path / "b.zip", "-o", tmp_path / "new")
    done("check", tmp_path / "new" / "berlin")


def test_a_take_that_may_not_be_read_is_named_and_left_out(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = Path(shutil.copytree(show("nine-songs"), tmp_path / "show"))
    read = Path.read_bytes

    def refused(path: Path) -> bytes:
        if path.name == "take.mid":
            raise PermissionError(13, "Permission denied")
        return read(path)

    monkeypatch.setattr(Path, "read_bytes", refused)
    result = done("backup", folder, "-o", tmp_path / "b.zip")
    says = f"{folder / 'take.mid'}: it cannot be read: Permission denied; it is not in the backup"
    assert result.stderr == f"stagectl: warning: {says}\n"
    assert "Not in it: 4 sound files, 1 take, to be copied by hand:" in result.stdout


def test_the_last_nights_of_this_setlist_and_the_desk_s_levels(tmp_path: Path, nights: Path) -> None:
    for hours in range(3):
        begun(nights, hours).close()
    begun(nights, 3, "another set").close()
    begun(spare_nights(), 1).close()
    levels = nights / "2026-11-25T21-30-00.levels.yaml"
    levels.write_text("base:\n  singer:\n    kick: -6\n")
    path = tmp_path / "b.zip"
    done("backup", show("nine-songs"), "-o", path)
    kept = [file["path"] for file in said(path)["files"] if file["path"].startswith("nights/")]
    assert kept == ["nights/2026-11-25T21-30-00.night", "nights/2026-11-25T21-30-00.levels.yaml"]
    done("backup", show("nine-songs"), "-o", tmp_path / "all.zip", "--nights", "9")
    files = [file for file in said(tmp_path / "all.zip")["files"] if file["what"] == "night"]
    assert [file["path"] for file in files] == [
        "nights/2026-11-25T21-30-00.night",
        "nights/2026-11-25T20-30-00.night",
        "nights/2026-11-25T20-30-00-2.night",
        "nights/2026-11-25T19-30-00.night",
    ]
    assert files[0]["time"] == "2026-11-25T22:00:00Z"
    done("backup", show("nine-songs"), "-o", tmp_path / "none.zip", "--nights", "0")
    assert not any(file["path"].startswith("nights/") for file in said(tmp_path / "none.zip")["files"])
    result = done("restore", path, "-o", tmp_path / "new")
    night_file = tmp_path / "new" / kept[0]
    assert result.output.splitlines()[-1] == f"Its last night: stagectl log --journal {night_file}"
    assert done("log", "--journal", night_file).output == done("log", "--journal", nights / night_file.name).output
    assert (tmp_path / "new" / kept[1]).read_bytes() == levels.read_bytes()


def test_nights_that_were_played_from_here_are_taken_whatever_the_title_was(tmp_path: Path, nights: Path) -> None:
    """The title was edited between the tours; a copy of the show elsewhere still has it."""
    here = str((show("nine-songs") / "setlist.yaml").resolve())
    begun(nights, 0, "nine songs, autumn tour", here).close()
    begun(nights, 1, "nine songs", here).close()
    elsewhere = tmp_path / "setlist.yaml"
    elsewhere.touch()
    begun(nights, 2, "nine songs", str(elsewhere)).close()
    begun(nights, 3, "nine songs, winter tour", here).close()
    result = done("backup", show("nine-songs"), "-o", tmp_path / "b.zip", "--nights", "9")
    assert result.stderr == ""
    kept = [file["path"] for file in said(tmp_path / "b.zip")["files"] if file["what"] == "night"]
    assert kept == [f"nights/2026-11-25T{hour}-30-00.night" for hour in (22, 20, 19)]


def test_nights_that_are_left_out_for_their_title_are_counted(tmp_path: Path, nights: Path) -> None:
    """None says that it was played from here, and so the title decides; of two that were asked for, what is earlier is
    none of it."""
    for hours, title in enumerate(("before", "nine songs", "between", "nine songs", "after")):
        begun(nights, hours, title).close()
    since = "no night says that it was played from this folder; those of the title `nine songs` are taken"
    for most, left in (("1", "1 night"), ("9", "3 nights")):
        result = done("backup", show("nine-songs"), "-o", tmp_path / f"{most}.zip", "--nights", most)
        assert result.stderr == f"stagectl: warning: {since}, and {left} of other titles left out\n"
    result = done("backup", show("three-songs"), "-o", tmp_path / "none.zip")
    assert "are taken, and 5 nights of other titles left out" in result.stderr
    assert result.stdout.endswith("There is no night of this setlist yet.\n")
    # One is known by its path: the others may be, and their title says that they are not.
    begun(nights, 5, "a new title", str((show("nine-songs") / "setlist.yaml").resolve())).close()
    result = done("backup", show("nine-songs"), "-o", tmp_path / "sure.zip", "--nights", "9")
    says = "3 nights of other titles, which do not say where they were played, are left out"
    assert result.stderr == f"stagectl: warning: {says}\n"
    result = done("backup", show("nine-songs"), "-o", tmp_path / "last.zip")
    assert result.stderr == ""


def test_nights_of_a_show_that_was_moved_are_taken_after_others_too(tmp_path: Path, nights: Path) -> None:
    """Twice from a folder that is gone, once from here; of another show in a folder that is gone, too."""
    here, gone = str((show("nine-songs") / "setlist.yaml").resolve()), str(tmp_path / "gone" / "setlist.yaml")
    for hours, title in enumerate(("nine songs", "nine songs", "another set")):
        begun(nights, hours, title, gone).close()
    begun(nights, 3, "nine songs", here).close()
    result = done("backup", show("nine-songs"), "-o", tmp_path / "all.zip", "--nights", "9")
    says = "taken by the title `nine songs`: 2 nights from where there is no setlist any more"
    assert result.stderr == f"stagectl: warning: {says}\n"
    kept = [file["path"] for file in said(tmp_path / "all.zip")["files"] if file["what"] == "night"]
    assert kept == [f"nights/2026-11-25T{hour}-30-00.night" for hour in (22, 20, 19)]
    # Only what is taken is said.
    assert done("backup", show("nine-songs"), "-o", tmp_path / "last.zip").stderr == ""


@pytest.mark.parametrize("moved", [False, True])
def test_nights_that_were_restored_are_in_the_next_backup(
    tmp_path: Path, nights: Path, monkeypatch: pytest.MonkeyPatch, moved: bool
) -> None:
    """On another machine, and on the same one, where the show and its nights are still there, beside a night that went
    on since; before and after a night is played from the new place."""
    folder = Path(shutil.copytree(show("nine-songs"), tmp_path / "show"))
    for hours in range(2):
        begun(nights, hours, "nine songs", str(folder / "setlist.yaml")).close()
    done("backup", folder, "-o", tmp_path / "a.zip", "--nights", "9")
    done("restore", tmp_path / "a.zip", "-o", tmp_path / "new")
    begun(tmp_path / "new" / "nights", 2, "another set").close()
    if moved:
        monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "other"))
        shutil.rmtree(folder)
    else:
        last = nights / "2026-11-25T20-30-00.night"
        with closing(sqlite3.connect(last)) as raw, raw:
            raw.execute("UPDATE night SET program = 'it went on'")
    left = "stagectl: warning: 1 night of other titles, which do not say where they were played, are left out\n"
    result = done("backup", tmp_path / "new", "-o", tmp_path / "b.zip", "--nights", "9")
    assert result.stderr == left
    before = [f"nights/2026-11-25T{hour}-30-00.night" for hour in (20, 19)]
    assert [file["path"] for file in said(tmp_path / "b.zip")["files"] if file["what"] == "night"] == before
    done("restore", tmp_path / "b.zip", "-o", tmp_path / "again")
    with closing(open_read(tmp_path / "again" / before[0])) as connection:
        assert night(connection).program == ("0" if moved else "it went on")
    begun(tmp_path / ("other" if moved else "state") / "nights", 3, "x", str(tmp_path / "new" / "setlist.yaml")).close()
    done("backup", tmp_path / "new", "-o", tmp_path / "c.zip", "--nights", "9")
    kept = [file["path"] for file in said(tmp_path / "c.zip")["files"] if file["what"] == "night"]
    assert kept == ["nights/2026-11-25T22-30-00.night", *before]


def test_a_show_in_the_folder_of_the_nights_has_no_others_beside_it(tmp_path: Path, nights: Path) -> None:
    """What lies in `nights` there was not restored with it."""
    folder = Path(shutil.copytree(show("nine-songs"), tmp_path / "state", dirs_exist_ok=True))
    (tmp_path / "setlist.yaml").touch()
    begun(nights, 0, "nine songs", str(tmp_path / "setlist.yaml")).close()
    begun(nights, 1, "nine songs", str(folder / "setlist.yaml")).close()
    done("backup", folder, "-o", tmp_path / "b.zip", "--nights", "9")
    kept = [file["path"] for file in said(tmp_path / "b.zip")["files"] if file["what"] == "night"]
    assert kept == ["nights/2026-11-25T20-30-00.night"]


def test_a_night_that_is_being_written_is_copied_whole(tmp_path: Path, nights: Path) -> None:
    """Another thread writes presses of a hundred rows while the backup is made: the copy has whole presses only, and
    all that were written before it began."""
    journal = begun(nights)
    began, stop = threading.Event(), threading.Event()
    written = []

    def play() -> None:
        press = 100
        while not stop.is_set() and press < 3_000:
            press += 1
            journal.write([Row(press, "change", press, "singer", "next", listener="singer") for _ in range(100)], WALL)
            written.append(press)
            began.set()

    with journal:
        journal.write([Row(99, "press", 99, who="singer", what="last before")], WALL)
        player = threading.Thread(target=play)
        player.start()
        try:
            assert began.wait(60)
            for at in range(3):
                done("backup", show("nine-songs"), "-o", tmp_path / f"{at}.zip")
        finally:
            stop.set()
            player.join()
    for at in range(3):
        done("restore", tmp_path / f"{at}.zip", "-o", tmp_path / f"{at}")
        (path,) = (tmp_path / f"{at}" / "nights").glob("*.night")
        with closing(sqlite3.connect(path)) as raw:
            assert raw.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
            assert raw.execute("PRAGMA journal_mode").fetchone() == ("delete",)
        with closing(open_read(path)) as connection:
            assert night(connection).setlist == "nine songs"
            told = [row.press for _, _, row in rows(connection)]
        assert told[:51] == [*range(50), 99]
        assert len(told) > 51
        assert told[51:] == [press for press in written[: len(told[51:]) // 100] for _ in range(100)]
        assert not [one for one in path.parent.iterdir() if one != path]


def test_a_night_that_cannot_be_read_or_copied_is_left_out_and_said(tmp_path: Path, nights: Path) -> None:
    begun(nights).close()
    journal = begun(nights, 5)
    journal.close()
    raw = bytearray(journal.path.read_bytes())
    raw[100:4096] = bytes(3_996)
    journal.path.write_bytes(raw)
    (nights / "2026-11-26T02-30-00.night").write_bytes((nights / "2026-11-25T19-30-00.night").read_bytes()[:8_192])
    odd = nights / "the last: one?.night"
    shutil.copy(nights / "2026-11-25T19-30-00.night", odd)
    arguments = ["backup", str(show("nine-songs")), "-o", str(tmp_path / "b.zip"), "--nights", "2"]
    result = CliRunner().invoke(main, arguments)
    assert result.exit_code == 1
    assert [line.partition(" cannot be ")[0] for line in result.stderr.splitlines()[:3]] == [
        *(f"stagectl: {path}" for path in (nights / "2026-11-26T02-30-00.night", journal.path, odd))
    ]
    assert result.stderr.count("It is not in the backup.") == 3
    assert [file["path"] for file in said(tmp_path / "b.zip")["files"] if file["what"] == "night"] == [
        "nights/2026-11-25T19-30-00.night"
    ]
    broken = begun(nights, 6)
    broken.write([Row(at, "press", at, who="x" * 200) for at in range(2_000)], WALL)
    broken.close()
    raw = bytearray(broken.path.read_bytes())
    middle = len(raw) // 2 // 4096 * 4096
    raw[middle : middle + 8_192] = b"\xff" * 8_192
    broken.path.write_bytes(raw)
    arguments = ["backup", str(show("nine-songs")), "--nights", "9", "-o"]
    damaged = CliRunner().invoke(main, [*arguments, str(tmp_path / "c.zip")])
    assert damaged.exit_code == 1 and f"{broken.path} cannot be copied" in damaged.stderr
    # The night before it takes its place, and the show is all there.
    assert said(tmp_path / "c.zip") == said(tmp_path / "b.zip")
    odd.unlink()
    # Where no copy can be written, that is said of the first, and nothing is left out one by one.
    with pytest.raises(JournalError, match=r"cannot be opened\. `--nights 0`"):
        list(night_pieces([broken.path], 9, tmp_path / "no folder", print))
    assert sorted(path.name for path in tmp_path.iterdir()) == ["b.zip", "c.zip", "spare", "state"]


def test_levels_that_cannot_be_read_and_a_row_of_no_time_keep_back_nothing_else(tmp_path: Path, nights: Path) -> None:
    begun(nights).close()
    (nights / "2026-11-25T19-30-00.levels.yaml").write_bytes(b"#" * (LEVELS_MAX + 1))
    odd = begun(nights, 1)
    odd.close()
    with closing(sqlite3.connect(odd.path)) as connection, connection:
        connection.execute("UPDATE story SET wall = 1 << 62")
    path = tmp_path / "b.zip"
    result = CliRunner().invoke(main, ["backup", str(show("nine-songs")), "--nights", "9", "-o", str(path)])
    assert result.exit_code == 1
    first, second, _ = result.stderr.splitlines()
    assert f"{odd.path} cannot be copied whole" in first and "these are no levels of a desk" in second
    kept = [file["path"] for file in said(path)["files"] if file["path"].startswith("nights/")]
    assert kept == ["nights/2026-11-25T19-30-00.night"]


def test_a_night_that_is_damaged_in_the_backup_is_left_out_of_what_is_restored(tmp_path: Path, nights: Path) -> None:
    """Bytes in the middle of what is packed are changed: zlib or the sum finds it."""
    for hours in range(2):
        begun(nights, hours).close()
    path = tmp_path / "b.zip"
    done("backup", show("nine-songs"), "--nights", "2", "-o", path)
    names = [file["path"] for file in said(path)["files"]]
    lost = "nights/2026-11-25T20-30-00.night"
    whole = done("restore", path, "-o", tmp_path / "whole")
    assert whole.stderr == ""
    with zipfile.ZipFile(path) as found:
        entry = found.getinfo(lost)
    raw = bytearray(path.read_bytes())
    middle = entry.header_offset + 30 + len(lost) + entry.compress_size // 2
    raw[middle : middle + 20] = bytes(byte ^ 0xFF for byte in raw[middle : middle + 20])
    path.write_bytes(raw)
    for flags, says in ((["--list"], "Every other file is what was backed up."), ([], "Its last night: ")):
        flags += [] if flags else ["-o", str(tmp_path / "new")]
        result = CliRunner().invoke(main, ["restore", str(path), *flags])
        assert result.exit_code == 1 and says in result.stdout.splitlines()[-1]
        (line,) = result.stderr.splitlines()
        assert line.startswith(f"{path}: `{lost}`: it is ") and line.endswith(" left out")
    before = tree(tmp_path / "whole")
    del before[lost]
    assert tree(tmp_path / "new") == before and len(before) == len(names) - 1


@pytest.mark.parametrize("where", ["setlist.yaml", "a.night"])
def test_only_nights_are_left_out(tmp_path: Path, where: str) -> None:
    """A manifest may call any file a night."""
    content = b"the show" * 9
    files = [listed("setlist.yaml", content, what="night"), listed("a.night", content, what="night")]
    for file in files:
        file["sha256"] = "0" * 64 if file["path"] == where else file["sha256"]
    (tmp_path / "b.zip").write_bytes(zipped(("setlist.yaml", content), ("a.night", content), said=manifest(*files)))
    result = CliRunner().invoke(main, ["restore", str(tmp_path / "b.zip"), "-o", str(tmp_path / "new")])
    assert (result.exit_code, result.stdout) == (1, "") and f"`{where}`: it is not what was" in result.stderr
    assert not (tmp_path / "new").exists()


def test_what_packs_too_tightly_is_put_in_unpacked_and_restored(tmp_path: Path) -> None:
    shutil.copytree(show("three-songs"), tmp_path / "show")
    rig = tmp_path / "show" / "rig.yaml"
    rig.write_text(rig.read_text() + "#" * 3_000_000 + "\n")
    done("backup", tmp_path / "show", "-o", tmp_path / "b.zip")
    with zipfile.ZipFile(tmp_path / "b.zip") as found:
        assert {entry.filename: entry.compress_type for entry in found.infolist()} == {
            entry.filename: zipfile.ZIP_STORED if entry.filename == "rig.yaml" else zipfile.ZIP_DEFLATED
            for entry in found.infolist()
        }
        assert all(entry.file_size <= RATIO_MAX * max(entry.compress_size, 1_000) for entry in found.infolist())
    done("restore", tmp_path / "b.zip", "-o", tmp_path / "new")
    assert (tmp_path / "new" / "rig.yaml").read_bytes() == rig.read_bytes()


def test_what_could_not_be_restored_is_not_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    found = gather(load_show(show("three-songs")))
    for name, value, says in (
        ("FILE_MAX", 700, r"setlist.yaml: it has 763 bytes, and a backup holds files of up to 700"),
        ("TOTAL_MAX", 3_000, r"bytes in all, and 3,000 are allowed"),
        ("FILES_MAX", 5, r"it would have 6 files, and 5 are allowed"),
        ("MANIFEST_MAX", 100, r"bytes of manifest, and 100 are allowed"),
    ):
        with monkeypatch.context() as patch:
            patch.setattr(packing, name, value)
            with pytest.raises(FileFaults, match=says):
                pack(found, tmp_path / "b.zip")
    assert tree(tmp_path) == {}


def test_help_costs_no_library() -> None:
    heavy = "{'sqlite3', 'zipfile', 'pydantic'}"
    code = f"import sys, stagectl.cli.backup, stagectl.cli.restore; print({heavy} & set(sys.modules))"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert out.strip() == "set()"
