"""Which songs' tracks are kept ready while the night goes through them."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from stagectl.core.actions import Action, Back, GoTo, Next
from stagectl.core.events import Wanted
from stagectl.core.state import begin
from stagectl.core.step import step
from stagectl.live.tracks import Tracks
from stagectl.show.compile import compile_show
from stagectl.show.load import load_show

S = 1_000_000_000

RIG = """inputs: [{name: voice, socket: 1}]
listeners: [{name: singer, mix: 1}]
desk: {profile: control-change, port: desk}
players: [{name: laptop, sound: {outputs: {all: 1}}}]
"""
SETLIST = "title: five\nrig: rig.yaml\nbase: {singer: {voice: -10}}\nsongs:\n" + "".join(
    f"  - {{name: song {at}, cue: {{player: laptop, stems: {{a.wav: all}}}}}}\n" for at in range(5)
)


@pytest.mark.parametrize(
    ("actions", "kept"),
    [
        ([], (0, 1)),
        ([Next()], (0, 1, 2)),
        ([Next(), Next()], (1, 2, 0, 3)),
        ([Next(), Next(), Next()], (2, 3, 1, 4)),
        ([Next(), Next(), Next(), Back()], (1, 2, 0, 3)),
        ([GoTo(stop=5)], (4, 3)),
    ],
    ids=["before the first", "the first", "the second", "the third", "back again", "the last"],
)
def test_the_song_the_next_the_one_before_and_one_more(
    tmp_path: Path, actions: list[Action], kept: tuple[int, ...]
) -> None:
    """A foot that goes one too far, and back, finds the track of its song."""
    (tmp_path / "rig.yaml").write_text(RIG)
    (tmp_path / "setlist.yaml").write_text(SETLIST)
    show = load_show(tmp_path)
    plan = compile_show(show).plan

    async def night() -> tuple[int, ...]:
        tracks = Tracks(show, plan, "jack", lambda *_: None, lambda _: None, pytest.fail)
        state = begin(plan, 0)
        tracks.look(state)
        for at, action in enumerate(actions, 1):
            state = step(plan, state, Wanted(action=action, who="foot", listener=None), at * S).state
            tracks.look(state)
        [sound] = tracks._sounds.values()
        tracks.close()
        return sound._wanted

    assert asyncio.run(night()) == kept
