"""Writing the setlist over: whatever fails, at whichever call, and whenever it is killed, nothing is lost."""

from __future__ import annotations

import errno
import os
import stat
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from stagectl.errors import FileFaults
from stagectl.keep.write import Disk, write_over

OLD, NEW = b"title: old\n", b"title: new\n" * 1000
WHEN = datetime(2026, 11, 25, 23, 30, 0, tzinfo=UTC)
CALLS = (
    "read",
    "mode",
    "temporary",
    "exclusive",
    "write",
    "permit",
    "sync",
    "close",
    "replace",
    "sync_folder",
)


class Failing(Disk):
    """The real disk, but for its Nth call."""

    def __init__(self, nth: int, fails: Callable[[str], None]) -> None:
        self.calls, self.nth, self.fails = 0, nth, fails
        self.met = ""
        for name in CALLS:
            setattr(self, name, self._counted(name, getattr(super(), name)))

    def _counted(self, name: str, does: Callable[..., Any]) -> Callable[..., Any]:
        def counted(*values: Any) -> Any:
            self.calls += 1
            if self.calls == self.nth:
                self.met = name
                if name == "close":
                    # As the system does: the file is closed, and says that what was written is not there.
                    does(*values)
                self.fails(name)
            return does(*values)

        return counted


def full(_: str) -> None:
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


@pytest.fixture
def setlist(tmp_path: Path) -> Path:
    path = tmp_path / "setlist.yaml"
    path.write_bytes(OLD)
    path.chmod(0o640)
    return path


def beside(path: Path) -> set[str]:
    return {one.name for one in path.parent.iterdir()} - {path.name}


def test_the_text_is_new_and_the_old_one_stands_beside(setlist: Path) -> None:
    backup = write_over(setlist, OLD, NEW, WHEN)
    assert setlist.read_bytes() == NEW
    assert backup.name == "setlist.yaml.2026-11-25T23-30-00.old"
    assert backup.read_bytes() == OLD
    assert beside(setlist) == {backup.name}
    assert [stat.S_IMODE(one.stat().st_mode) for one in (setlist, backup)] == [0o640, 0o640]


def test_a_backup_takes_no_other_s_place(setlist: Path) -> None:
    first = write_over(setlist, OLD, NEW, WHEN)
    second = write_over(setlist, NEW, OLD, WHEN)
    assert (first.read_bytes(), second.read_bytes()) == (OLD, NEW)
    assert second.name == "setlist.yaml.2026-11-25T23-30-00-2.old"


def test_the_disk_fails_at_every_call_in_turn(setlist: Path) -> None:
    met = []
    for nth in range(1, 100):
        disk, error = Failing(nth, full), None
        try:
            write_over(setlist, OLD, NEW, WHEN, disk)
        except FileFaults as fault:
            error = str(fault)
        if disk.met == "":
            break
        met.append(disk.met)
        if error is not None:
            assert "is as it was: No space left on device" in error
            assert (setlist.read_bytes(), beside(setlist)) == (OLD, set())
            continue
        # Only the last sync of the folder may fail without a word: the new text is there, and so is the old one.
        assert disk.met == "sync_folder"
        assert setlist.read_bytes() == NEW
        setlist.write_bytes(OLD)
        for name in beside(setlist):
            (setlist.parent / name).unlink()
    assert setlist.read_bytes() == NEW
    assert set(met) == set(CALLS)


KILL = """
import os, sys
from pathlib import Path
sys.path.insert(0, sys.argv[3])
from keep.test_write import NEW, OLD, WHEN, Failing
from stagectl.keep.write import write_over

write_over(Path(sys.argv[1]), OLD, NEW, WHEN, Failing(int(sys.argv[2]), lambda name: os._exit(9)))
"""


@pytest.mark.parametrize("nth", [4, 10, 15])
def test_killed_between_two_calls_it_is_the_old_one_or_the_new_one(setlist: Path, nth: int) -> None:
    """A process of its own that ends at once, without tidying up."""
    here = Path(__file__).resolve().parents[1]
    run = subprocess.run([sys.executable, "-c", KILL, str(setlist), str(nth), str(here)], check=False, cwd=here.parent)
    assert run.returncode in (0, 9)
    now = setlist.read_bytes()
    assert now in (OLD, NEW)
    if now == NEW:
        assert [one for one in setlist.parent.iterdir() if one.suffix == ".old" and one.read_bytes() == OLD]
    # What is left over neither stands in the way nor is taken for a show's file.
    assert {Path(name).suffix for name in beside(setlist)} <= {".new", ".old"}
    write_over(setlist, now, NEW + b"# once more\n", WHEN)
    assert setlist.read_bytes().endswith(b"# once more\n")


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_that_may_not_be_written_to(setlist: Path) -> None:
    setlist.parent.chmod(0o500)
    try:
        with pytest.raises(FileFaults, match="Permission denied"):
            write_over(setlist, OLD, NEW, WHEN)
    finally:
        setlist.parent.chmod(0o700)
    assert setlist.read_bytes() == OLD


def test_a_folder_that_refuses_new_files(setlist: Path) -> None:
    """The same for whoever may write anywhere: the folder takes no new name."""

    def refused(_: str) -> None:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    with pytest.raises(FileFaults, match="Read-only file system"):
        write_over(setlist, OLD, NEW, WHEN, Failing(3, refused))
    assert (setlist.read_bytes(), beside(setlist)) == (OLD, set())


def test_short_writes_are_gone_on_with(setlist: Path) -> None:
    class Slow(Disk):
        def write(self, handle: int, raw: bytes) -> int:
            return super().write(handle, raw[:1000])

    write_over(setlist, OLD, NEW, WHEN, Slow())
    assert setlist.read_bytes() == NEW


def test_a_disk_that_keeps_something_else_is_not_believed(setlist: Path) -> None:
    class Wrong(Disk):
        def write(self, handle: int, raw: bytes) -> int:
            return super().write(handle, raw.replace(b"new", b"now"))

    with pytest.raises(FileFaults, match="does not read the same"):
        write_over(setlist, OLD, NEW, WHEN, Wrong())
    assert (setlist.read_bytes(), beside(setlist)) == (OLD, set())


def test_a_link_is_followed(setlist: Path) -> None:
    link = setlist.parent / "tonight.yaml"
    link.symlink_to(setlist.name)
    backup = write_over(link, OLD, NEW, WHEN)
    assert link.is_symlink()
    assert (setlist.read_bytes(), backup.name) == (NEW, "setlist.yaml.2026-11-25T23-30-00.old")


def test_a_file_that_was_edited_meanwhile_is_left(setlist: Path) -> None:
    setlist.write_bytes(b"title: edited\n")
    with pytest.raises(FileFaults, match="changed meanwhile"):
        write_over(setlist, OLD, NEW, WHEN)
    assert (setlist.read_bytes(), beside(setlist)) == (b"title: edited\n", set())
