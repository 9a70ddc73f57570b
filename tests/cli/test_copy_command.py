"""`stagectl copy`, and demo shows by their names alone.

That a copy is the same is judged by the standard library's `filecmp`, byte by byte.
"""

from __future__ import annotations

import filecmp
import shutil
from collections import Counter
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from stagectl import where
from stagectl.archive import shipped
from stagectl.archive.disk import Disk
from stagectl.archive.shipped import SHOW, Thing, copy, things
from stagectl.cli.main import main
from stagectl.errors import DeviceError
from stagectl.show.load import load_show
from stagectl.where import shipped as folder_of
from stagectl.where import show_at

NINE = folder_of("setlists") / "nine-songs"


@pytest.fixture(autouse=True)
def elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A folder with nothing in it."""
    monkeypatch.chdir(tmp_path)


def call(*words: str) -> Result:
    return CliRunner().invoke(main, words)


def files(folder: Path) -> list[str]:
    found = (path.relative_to(folder) for path in folder.rglob("*") if path.is_file())
    return sorted(str(path) for path in found if not {"stems", "__pycache__"} & set(path.parts))


def test_every_name_stands_for_one_thing_that_says_what_it_is() -> None:
    assert {name: n for name, n in Counter(thing.name for thing in things()).items() if n > 1} == {}
    assert [thing.name for thing in things() if not 10 < len(thing.says) < 160] == []
    assert {thing.name for thing in things()} >= {"nine-songs", "three-songs", "two-switch", "nrpn"}


def test_the_list_has_them_all() -> None:
    said = call("copy").output
    assert [thing.name for thing in things() if f"    {thing.name} " not in said] == []


@pytest.mark.parametrize("thing", things(), ids=lambda thing: thing.name)
def test_a_copy_is_the_same_byte_for_byte(thing: Thing, tmp_path: Path) -> None:
    found = call("copy", thing.name)
    assert found.exit_code == 0, found.output
    if thing.kind == SHOW:
        new = tmp_path / thing.name
        assert files(new) == files(thing.path) != []
        assert filecmp.cmpfiles(thing.path, new, files(new), shallow=False)[1:] == ([], [])
        assert load_show(new).files
    else:
        assert filecmp.cmp(thing.path, tmp_path / thing.path.name, shallow=False)
    assert [path.name for path in tmp_path.iterdir()] == [thing.path.name]


def test_what_is_made_from_a_show_is_not_copied(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    show = tmp_path / "ships" / "nine-songs"
    shutil.copytree(NINE, show)
    (show / "stems").mkdir(exist_ok=True)
    (show / "stems" / "lanterns.wav").write_bytes(b"much")
    monkeypatch.setattr(where, "shipped", lambda _: show.parent)
    monkeypatch.setattr(shipped, "shipped", lambda _: show.parent)
    assert call("copy", "nine-songs", "-o", "mine").exit_code == 0
    assert not (tmp_path / "mine" / "stems").exists()
    assert files(tmp_path / "mine") == files(NINE)


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (("nine-song",), 2, "did you mean `nine-songs`?"),
        (("nine-songs", "-o", "full"), 1, "full: it is not empty, and nothing that is there is written over"),
        (("nine-songs", "-o", "full/mine.yaml"), 1, "it is a file"),
        (("nine-songs", "-o", "none/mine"), 1, "there is no folder"),
        (("nrpn", "-o", "full/mine.yaml"), 1, "mine.yaml: there is something of that name"),
        (("nrpn", "-o", "none/mine.yaml"), 1, "there is no folder none"),
        (("nrpn", "-o", "mine.txt"), 1, "ends with `.yaml`"),
        (("-o", "mine"), 2, "NAME is missing"),
    ],
)
def test_what_cannot_be_copied_is_said_and_changes_nothing(
    words: tuple[str, ...], code: int, says: str, tmp_path: Path
) -> None:
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "mine.yaml").write_text("mine")
    found = call("copy", *words)
    assert (found.exit_code, says in " ".join(found.output.split())) == (code, True), found.output
    assert files(tmp_path) == ["full/mine.yaml"]
    assert (tmp_path / "full" / "mine.yaml").read_text() == "mine"


@pytest.mark.parametrize("name", ["nine-songs", "nrpn"])
def test_a_disk_that_fails_at_any_call_leaves_nothing(name: str, tmp_path: Path) -> None:
    """The first call of the disk fails, then the second one, and so on until none is left to fail."""
    thing = next(one for one in things() if one.name == name)
    for nth in range(1, 100):
        disk = _Failing(nth)
        if disk.tried(thing):
            break
        assert list(tmp_path.iterdir()) == [], nth
    else:
        pytest.fail("it never came to its end")
    assert nth > (10 if name == "nine-songs" else 3)
    assert len(list(tmp_path.iterdir())) == 1


class _Failing(Disk):
    """A disk whose nth call fails."""

    def __init__(self, nth: int) -> None:
        self._left = nth

    def tried(self, thing: Thing) -> bool:
        """Whether a thing was copied, and no call was left to fail."""
        try:
            copy(thing, None, self)
        except DeviceError:
            return False
        return True

    def __getattribute__(self, name: str) -> object:
        found = super().__getattribute__(name)
        if name in ("begin", "finish", "put_file", "begin_folder", "make_folder", "put_folder"):
            self._left -= 1
            if self._left == 0:
                raise OSError(28, "No space left on device")
        return found


def test_a_demo_is_there_by_its_name_in_every_folder(tmp_path: Path) -> None:
    assert show_at(Path("nine-songs")) == show_at(Path("setlists/nine-songs")) == NINE
    assert call("check", "three-songs").exit_code == 0
    for named in (tmp_path / "nine-songs", Path("mine/nine-songs"), Path("nine-song"), Path("..")):
        assert show_at(named) == named


def test_what_is_here_comes_before_what_ships(tmp_path: Path) -> None:
    (tmp_path / "nine-songs").symlink_to(tmp_path / "away")
    assert show_at(Path("nine-songs")) == Path("nine-songs")
    (tmp_path / "nine-songs").unlink()
    (tmp_path / "nine-songs").mkdir()
    assert show_at(Path("nine-songs")) == Path("nine-songs")
    assert call("check", "nine-songs").exit_code == 1


def test_an_installed_show_keeps_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """The program's next version is written over it."""
    before = (NINE / "setlist.yaml").read_bytes()
    monkeypatch.setattr(where, "PACKAGE", NINE.parent)
    found = call("keep", str(NINE), "--accept", "all")
    assert found.exit_code == 1
    assert "`stagectl copy nine-songs -o my-show` makes it yours" in found.output
    assert (NINE / "setlist.yaml").read_bytes() == before
