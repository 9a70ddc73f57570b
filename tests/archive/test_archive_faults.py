"""The disk fails at every call in turn, once or for good: a backup or a restored show is whole, or there is none."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest

from stagectl.archive.check import check
from stagectl.archive.gather import gather
from stagectl.archive.pack import pack
from stagectl.archive.unpack import unpack
from stagectl.errors import DeviceError
from stagectl.show.load import load_show

from .hostile import FailingDisk, show, tree

CALLS_MAX = 500


@pytest.mark.parametrize("lasting", [False, True])
def test_a_backup_is_whole_or_not_there(tmp_path: Path, lasting: bool) -> None:
    found = gather(load_show(show("three-songs")))
    pack(found, tmp_path / "whole.zip")
    whole = tree(tmp_path)
    for nth in range(1, CALLS_MAX):
        disk, path = FailingDisk(nth, lasting=lasting), tmp_path / "b.zip"
        if not _fails(partial(pack, found, path, disk), disk):
            break
        assert tree(tmp_path) == whole
    assert disk.calls > 20 and not disk.met
    assert tree(tmp_path) == whole | {"b.zip": whole["whole.zip"]}
    assert zipfile.ZipFile(path).testzip() is None


@pytest.mark.parametrize("lasting", [False, True])
@pytest.mark.parametrize("empty", [False, True])
def test_a_restored_show_is_whole_or_not_there(tmp_path: Path, lasting: bool, empty: bool) -> None:
    pack(gather(load_show(show("three-songs"))), tmp_path / "b.zip")
    raw = (tmp_path / "b.zip").read_bytes()
    (tmp_path / "b.zip").unlink()
    folder = tmp_path / "new"
    if empty:
        folder.mkdir()
    backup = check(io.BytesIO(raw), "b.zip")
    for nth in range(1, CALLS_MAX):
        disk = FailingDisk(nth, lasting=lasting)
        if not _fails(partial(unpack, backup, "b.zip", folder, disk), disk):
            break
        assert list(tmp_path.iterdir()) == ([folder] if empty else [])
        assert tree(tmp_path) == {}
    assert disk.calls > 15 and not disk.met
    assert sorted(tree(folder)) == sorted(backup.entries)
    assert list(tmp_path.iterdir()) == [folder]


def _fails(does: Callable[[], object], disk: FailingDisk) -> bool:
    """Whether the disk failed, which is then told as what it is."""
    try:
        does()
    except DeviceError as error:
        told = str(error)
    else:
        assert not disk.met
        return False
    assert disk.met and told.endswith("cannot be written: No space left on device")
    return True
