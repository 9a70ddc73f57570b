"""File names that are no UTF-8 keep no night from being recorded, and come back as they were."""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from urllib.parse import unquote_to_bytes, urlsplit

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stagectl.journal.read import files, night, open_read
from stagectl.journal.record import begin, go_on
from stagectl.journal.schema import path_packed, path_unpacked
from stagectl.journal.spool import writer_of

from .nights import NIGHT, PRESS, WALL, numbered, story
from .test_record import killed, silent


@given(st.binary(min_size=1).filter(lambda raw: b"\0" not in raw))
def test_any_path_comes_back(raw: bytes) -> None:
    """Bytes that no file name can be apart (POSIX, 3.170), as the standard library brings them to text and back."""
    path = str(Path(os.fsdecode(b"/" + raw)))
    text = path_packed(path)
    text.encode()
    assert path_unpacked(text) == path
    if text != path:
        assert urlsplit(text).scheme == "file"
        assert unquote_to_bytes(text.removeprefix("file://")) == os.fsencode(path)


def test_a_path_that_is_text_is_left_as_it_is() -> None:
    for path in ("/home/ada/shows/été/100%/setlist.yaml", "file:/x", "C:\\shows\\a", ""):
        assert path_packed(path) == path == path_unpacked(path)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    found = Path(os.fsdecode(os.fsencode(tmp_path) + b"/caf\xe9 100%"))
    try:
        found.mkdir()
    except OSError:
        pytest.skip("this file system takes UTF-8 alone")
    return found


def test_a_night_in_such_a_folder_is_recorded_and_goes_on(folder: Path) -> None:
    path, setlist = folder / "a.night", str(folder / "setlist.yaml")
    head = replace(NIGHT, path=setlist, files={setlist: b"title: a"})
    recorder = begin(path, head, silent)
    recorder.write([PRESS], WALL)
    assert writer_of(path) == os.getpid()
    recorder.close()
    recorder = go_on(path, {setlist: b"title: b"}, silent)
    recorder.write(numbered(1, 1), WALL)
    recorder.close()
    assert story(path) == [PRESS, *numbered(1, 1)]
    with closing(open_read(path)) as connection:
        assert night(connection).path == setlist
        assert files(connection) == {0: {setlist: b"title: a"}, 1: {setlist: b"title: b"}}
    with closing(sqlite3.connect(path)) as connection:
        [(told,)] = connection.execute("SELECT path FROM night").fetchall()
    assert told.startswith("file:///") and told.endswith("/caf%E9%20100%25/setlist.yaml")


def test_what_was_on_its_way_there_is_brought_home(folder: Path) -> None:
    path = folder / "a.night"
    with killed(path, "gate.clear(); recorder.write([PRESS], WALL)"):
        pass
    assert story(path) == [PRESS]
