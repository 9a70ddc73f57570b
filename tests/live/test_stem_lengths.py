"""How long tracks are whose length only their stems say: looked at beside the night, for the countdown alone."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pytest
import soundfile

from stagectl.core.actions import Next
from stagectl.core.events import PlayerCame, Wanted
from stagectl.core.plan import Plan
from stagectl.core.state import begin
from stagectl.core.step import step
from stagectl.live import stem_lengths
from stagectl.live.going import Going
from stagectl.live.stem_lengths import StemLengths
from stagectl.live.tracks import Tracks
from stagectl.show.compile import compile_show
from stagectl.show.load import Show, load_show
from stagectl.tracks.song import SongTrack, Stem
from stagectl.view.picture import Moment, Picture, SetClock, Told

S = 1_000_000_000
RATE = 8_000

RIG = """inputs: [{name: voice, socket: 1}]
listeners: [{name: singer, mix: 1}]
desk: {profile: control-change, port: desk}
players: [{name: laptop, sound: {outputs: {left: 1, click: 2}, click: click}}]
"""
SETLIST = """title: four
rig: rig.yaml
base: {singer: {voice: -10}}
gap: 0
songs:
  - {name: one, tempo: 120, count in: 1, cue: {player: laptop, stems: {a.wav: left}}}
  - {name: two, cue: {player: laptop, stems: {b.wav: left}}}
  - {name: three, cue: {player: laptop, stems: {none.wav: left}}}
  - {name: four, length: 1:00, cue: {player: laptop, stems: {a.wav: left}}}
"""


@pytest.fixture(autouse=True)
def at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stem_lengths, "AFTER_S", 0.0)


@pytest.fixture
def four(tmp_path: Path) -> tuple[Show, Plan]:
    """Stems of 5 s and of 3 s; one that is not there; and a song that says its length."""
    for name, seconds in (("a", 5), ("b", 3)):
        soundfile.write(tmp_path / f"{name}.wav", np.zeros(seconds * RATE, np.float32), RATE)
    (tmp_path / "rig.yaml").write_text(RIG)
    (tmp_path / "setlist.yaml").write_text(SETLIST)
    show = load_show(tmp_path)
    return show, compile_show(show).plan


def found(tracks: list[SongTrack]) -> list[Mapping[int, int]]:
    """What a look at tracks tells."""

    async def night() -> list[Mapping[int, int]]:
        told: list[Mapping[int, int]] = []
        lengths = StemLengths(tracks)
        lengths.tellers.append(told.append)
        await lengths.look()
        return told

    return asyncio.run(night())


def test_what_can_be_played_is_told_as_it_is_found(tmp_path: Path) -> None:
    (tmp_path / "bad.wav").write_text("a list of songs")
    soundfile.write(tmp_path / "a.wav", np.zeros(5 * RATE, np.float32), RATE)
    soundfile.write(tmp_path / "b.wav", np.zeros(3 * RATE, np.float32), RATE)
    a, b, bad = (Stem(str(tmp_path / f"{name}.wav"), (7,)) for name in ("a", "b", "bad"))
    tracks = [
        SongTrack(0, "said", (a,), length=60 * S),
        SongTrack(1, "bad", (bad,)),
        SongTrack(2, "both", (a, b)),
        SongTrack(4, "short", (b,)),
    ]
    assert found(tracks) == [{2: 5 * S}, {2: 5 * S, 4: 3 * S}]


@pytest.mark.parametrize("module", ["stagectl.tracks.sound.nothing_here", "this"])
def test_a_look_that_fails_finds_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, module: str) -> None:
    monkeypatch.setattr(stem_lengths, "MODULE", module)
    assert found([SongTrack(0, "one", (Stem(str(tmp_path / "a.wav"), (1,)),))]) == []


def test_a_look_that_takes_too_long_is_broken_off(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stem_lengths, "LOOKS_S", 0.0)
    assert found([SongTrack(0, "one", (Stem(str(tmp_path / "a.wav"), (1,)),))]) == []


def test_the_countdown_goes_by_the_stems_and_the_plan_does_not(four: tuple[Show, Plan]) -> None:
    show, plan = four

    async def night() -> Going:
        going = Going(show, plan)
        tracks = Tracks(show, plan, "jack", lambda *_: None, lambda _: None, pytest.fail)
        tracks.lengths.tellers.append(going.know)
        look = dict(tracks.chores)["looking at the stems"]
        await look()
        tracks.close()
        return going

    state = step(plan, begin(plan, 0), Wanted(action=Next(), who="foot", listener=None), S).state
    # A bar of four at 120 (2 s) and 5 s; 3 s; 4:00, since nobody knows; and 1:00. The song begins without its track.
    never, going = Going(show, plan), asyncio.run(night())
    for one in (never, going):
        one.look(state)
    assert never.to_go(state, S) == (3 * 240 + 60) * S
    assert going.to_go(state, S) == (2 + 5 + 3 + 240 + 60) * S
    assert [stop.cue and stop.cue.length_ns for stop in plan.stops] == [None, None, None, None, 60 * S]


def test_a_song_that_was_made_ready_is_known_by_that(four: tuple[Show, Plan]) -> None:
    show, plan = four

    async def night() -> list[Mapping[int, int]]:
        told: list[Mapping[int, int]] = []
        tracks = Tracks(show, plan, "jack", lambda *_: None, lambda _: None, pytest.fail)
        tracks.lengths.tellers.append(told.append)
        for song, length in ((1, 3 * S), (1, 3 * S), (0, 5 * S), (1, 4 * S)):
            tracks._ready(0, song, length)
        tracks.close()
        return told

    # The same again is no news; a file that was changed is.
    assert asyncio.run(night()) == [{1: 3 * S}, {0: 5 * S, 1: 3 * S}, {0: 5 * S, 1: 4 * S}]


def test_the_page_shows_what_the_stems_say(four: tuple[Show, Plan]) -> None:
    show, plan = four
    state = step(plan, begin(plan, 0), PlayerCame(player=0), 1).state
    state = step(plan, state, Wanted(action=Next(), who="foot", listener=None), S).state
    picture, moment = Picture(show, plan, None), Moment(S, 0)
    before = picture.board(state, moment, SetClock(S, 780 * S), Told())["clock"]
    picture.know({0: 5 * S, 1: 3 * S})
    after = picture.board(state, moment, SetClock(S, 310 * S), Told())["clock"]
    assert (before["song_length"], before["unsaid"], before["rest"]) == (None, 3, 540_000)
    assert (after["song_length"], after["unsaid"], after["rest"]) == (7_000, 1, 303_000)
    assert before["track"] is not None and after["track"] is not None
    assert (before["track"]["length"], after["track"]["length"]) == (None, 5_000)
