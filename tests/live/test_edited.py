"""A file of the show that is edited in mid-show is said to be, once, and the night goes on by what it held."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from stagectl.live.edited import Edited


class Watched:
    """Two files that are played, and what was said of them."""

    def __init__(self, folder: Path) -> None:
        self.setlist, self.rig = folder / "setlist.yaml", folder / "rig.yaml"
        self.setlist.write_text("songs: 1")
        self.rig.write_text("inputs: 1")
        self.said: list[str] = []
        self.edited = Edited({str(one): one.read_bytes() for one in (self.setlist, self.rig)}, self.said.append)
        self._saves = 0

    def save(self, file: Path, text: str) -> None:
        """The time of the last change differs from any before, however coarse the disk's times are."""
        file.write_text(text)
        self._saves += 1
        os.utime(file, ns=(self._saves, self._saves))

    def looks(self, times: int = 2) -> list[str]:
        """What is said within so many looks."""
        self.said.clear()
        for _ in range(times):
            self.edited.look()
        return [*self.said]


@pytest.fixture
def watched(tmp_path: Path) -> Watched:
    return Watched(tmp_path)


def test_nothing_is_said_of_files_that_nobody_saved(watched: Watched) -> None:
    assert watched.looks(5) == []


def test_what_was_saved_is_named_once_when_it_has_come_to_rest(watched: Watched) -> None:
    watched.save(watched.setlist, "songs: 2")
    assert watched.looks(1) == []
    watched.save(watched.setlist, "songs: 2, and more")
    assert watched.looks(1) == []
    [line] = watched.looks(1)
    assert line.startswith("setlist.yaml was edited: the night goes on by what it held")
    assert watched.looks(5) == []


def test_several_are_said_together(watched: Watched) -> None:
    watched.save(watched.setlist, "songs: 2")
    watched.save(watched.rig, "inputs: 2")
    [line] = watched.looks()
    assert line.startswith("setlist.yaml and rig.yaml were edited: the night goes on by what they held")


def test_saved_as_it_is_played_is_no_edit_and_an_edit_may_be_taken_back(watched: Watched) -> None:
    watched.save(watched.setlist, "songs: 1")
    assert watched.looks() == []
    watched.save(watched.setlist, "songs: 11")
    assert len(watched.looks()) == 1
    watched.save(watched.setlist, "songs: 1")
    assert watched.looks() == ["the files are again as they are played"]


def test_one_that_is_gone_counts_as_edited(watched: Watched) -> None:
    watched.rig.unlink()
    [line] = watched.looks()
    assert line.startswith("rig.yaml was edited")
