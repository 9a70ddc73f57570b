"""Only regular files are opened, and nothing else is waited for."""

from __future__ import annotations

import os
import socket
from collections.abc import Callable
from pathlib import Path

import pytest

from stagectl.errors import FileFaults
from stagectl.keep.write import Disk
from stagectl.learn.desk_take import links_of
from stagectl.regular import NoFileError, open_regular
from stagectl.rehearse.take import open_take
from stagectl.show.files import Files


def bound(path: Path) -> None:
    with socket.socket(socket.AF_UNIX) as end:
        end.bind(str(path))


OTHERS: dict[str, Callable[[Path], None]] = {
    "a named pipe": os.mkfifo,
    "a folder": Path.mkdir,
    "a device": lambda path: path.symlink_to(os.devnull),
    "a socket": bound,
}


@pytest.mark.parametrize("kind", OTHERS)
def test_what_is_no_file_is_refused_and_called_by_its_name(
    kind: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # The name of a socket may not be long.
    monkeypatch.chdir(tmp_path)
    OTHERS[kind](Path("one"))
    with pytest.raises(NoFileError) as found:
        open_regular("one")
    assert (found.value.strerror, found.value.filename) == (f"it is {kind}, and no file", "one")


def test_a_pipe_that_comes_after_the_look_is_not_waited_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path, usual = tmp_path / "one", os.stat
    path.touch()

    def looked(*given: object) -> os.stat_result:
        found = usual(path)
        path.unlink()
        os.mkfifo(path)
        return found

    monkeypatch.setattr(os, "stat", looked)
    with pytest.raises(NoFileError, match="a named pipe"):
        open_regular(path)


def test_a_file_is_read_also_through_a_link(tmp_path: Path) -> None:
    (tmp_path / "one").write_bytes(b"held")
    (tmp_path / "two").symlink_to("one")
    with open_regular(tmp_path / "two") as file:
        assert file.read() == b"held"
        assert not file.closed
    with pytest.raises(FileNotFoundError):
        open_regular(tmp_path / "none")


@pytest.mark.parametrize("reads", [open_take, links_of, Disk().read, lambda path: Files().read(path, 1)])
def test_whoever_reads_a_file_that_was_named_refuses_a_pipe(reads: Callable[[Path], object], tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "one.txt")
    with pytest.raises((NoFileError, FileFaults), match="it is a named pipe, and no file"):
        reads(tmp_path / "one.txt")
