"""The shelf of songs that are ready: what is needed first gets the room, and what plays is dropped by nobody."""

from __future__ import annotations

import queue
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from stagectl.tracks.song import SongTrack, Stem
from stagectl.tracks.sound import shelf
from stagectl.tracks.sound.shelf import Making, Ready, Shelf

RATE = 8_000

SONGS = [SongTrack(song=at, name=f"song {at}") for at in range(9)]

FULL_DISK = """
import shutil
from stagectl.tracks.sound import prepare
room = shutil.disk_usage("/")
prepare.shutil.disk_usage = lambda _: room._replace(free=prepare.SPARE)
prepare.main()
"""


class Disk:
    """A shelf on a disk that has room for so many songs; `made`: what has been made so far, in order."""

    def __init__(self, room: int, monkeypatch: pytest.MonkeyPatch) -> None:
        self.made: list[int] = []
        self._news: queue.Queue[Making] = queue.Queue()
        self._room = room
        self.shelf = Shelf(RATE, 1, self._news.put)
        monkeypatch.setattr(self.shelf, "_make", self._make)

    @property
    def ready(self) -> list[int]:
        return sorted(song for song, (_, found) in self.shelf._done.items() if isinstance(found, Ready))

    def _make(self, making: Making) -> None:
        making.cramped = len(self.ready) >= self._room
        frames = np.zeros((RATE, 1), np.float32)
        making.found = "no room" if making.cramped else Ready(making.track, 0, frames)
        self._news.put(making)

    def keep(self, *songs: int) -> list[int]:
        """Keep songs, and wait until nothing more is made. Those that nobody could make room for."""
        self.shelf.keep([SONGS[song] for song in songs])
        without = []
        while self.shelf._making is not None:
            making = self._news.get(timeout=10)
            found = self.shelf.made(making)
            if isinstance(found, Ready):
                self.made.append(making.track.song)
            elif found is not None:
                without.append(making.track.song)
        return without


def test_songs_are_made_in_the_order_in_which_they_are_needed(monkeypatch: pytest.MonkeyPatch) -> None:
    disk = Disk(4, monkeypatch)
    assert disk.keep(3, 4, 2, 5) == []
    assert disk.made == [3, 4, 2, 5]
    assert disk.keep(4, 5, 3, 6) == []
    assert disk.made[4:] == [6]
    assert disk.keep(3, 4, 2, 5) == []
    assert disk.made[5:] == [2], "back: what has just played is still there"


def test_what_is_needed_first_gets_the_room_of_what_is_needed_last(monkeypatch: pytest.MonkeyPatch) -> None:
    disk = Disk(2, monkeypatch)
    assert disk.keep(0, 1, 2) == [2]
    assert disk.keep(1, 2, 0, 3) == [0, 3]
    assert disk.ready == [1, 2]
    disk = Disk(0, monkeypatch)
    assert disk.keep(1, 2) == [1, 2], "a song that no room can be made for is said to be unready"


def test_a_disk_without_room_is_told_from_a_file_that_is_bad(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    soundfile.write(tmp_path / "a.wav", np.zeros(RATE, np.float32), RATE)
    good = SongTrack(1, "good", (Stem(str(tmp_path / "a.wav"), (1,)),))
    bad = SongTrack(2, "bad", (Stem(str(tmp_path / "none.wav"), (1,)),))
    monkeypatch.setattr(shelf, "runs", lambda _: [sys.executable, "-c", FULL_DISK])
    news: queue.Queue[Making] = queue.Queue()
    kept = Shelf(RATE, 1, news.put)
    kept.keep([good, bad])
    found = {}
    for _ in range(2):
        making = news.get(timeout=30)
        kept.made(making)
        found[making.track.name] = making.cramped
    assert found == {"good": True, "bad": False}


def test_a_song_that_plays_outlives_its_place_on_the_shelf(monkeypatch: pytest.MonkeyPatch) -> None:
    disk = Disk(4, monkeypatch)
    disk.keep(0)
    plays = disk.shelf.get(0)
    disk.keep(5)
    assert isinstance(plays, Ready) and not isinstance(disk.shelf.get(0), Ready)
    assert plays.frames.shape == (RATE, 1)
