"""A night that is taken up with edited files tells the desk no stored scene again: it has it, and plays on."""

from __future__ import annotations

from pathlib import Path

import pytest
from recorded import WALL_US, record_night

from stagectl.core.actions import Action, Next, Nudge
from stagectl.core.effects import Effect, RecallStored
from stagectl.core.events import DeskCame, Wake, Wanted
from stagectl.core.step import next_wake, step
from stagectl.live.broken_off import broken_off_of
from stagectl.live.resume import take_up
from stagectl.rehearse.room import Timed
from stagectl.show.compile import compile_show
from stagectl.show.load import load_show

SECOND = 1_000_000_000

FILES = {
    "rig.yaml": """
inputs: [{name: voice, socket: 1}]
listeners: [{name: singer, mix: 1, own input: voice}]
desk: {profile: with-scenes, port: desk}
""",
    "with-scenes.yaml": """
name: with scenes
over: midi
send:
  say: {control change: {first: 1, per input: 1}, channel: {first: 1, per mix: 1}}
  values: {law: gm2}
stored scene: {channel: 16}
""",
    "setlist.yaml": """
title: a night
rig: rig.yaml
base: {singer: {voice: -6}}
songs: [{name: One, stored scene: 1}, {name: Two, stored scene: 2}]
""",
}


@pytest.mark.parametrize("title", ["a night", "tonight"])
def test_the_scene_of_the_song_is_not_recalled_again(tmp_path: Path, title: str) -> None:
    for name, text in FILES.items():
        (tmp_path / name).write_text(text)
    journal, setlist = tmp_path / "a.night", tmp_path / "setlist.yaml"
    presses: list[tuple[int, Action]] = [(1, Next()), (5, Nudge(by=-300, column=0))]
    record_night(
        tmp_path,
        journal,
        [Timed(at * SECOND, Wanted(action=one, who="singer", listener=0)) for at, one in presses],
        ends=False,
    )
    setlist.write_text(FILES["setlist.yaml"].replace("a night", title))
    show = load_show(tmp_path)
    plan, wall_us = compile_show(show).plan, WALL_US + 30_000_000
    night = broken_off_of(setlist.resolve(), journal, wall_us)
    assert night is not None
    taken = take_up(night, show, plan, now=10**15, wall_us=wall_us, tell=lambda _: None)
    taken.recorder.close()
    state, told = taken.state, list[Effect]()
    for event in (*taken.goes, DeskCame()):
        state, effects = step(plan, state, event, 10**15)
        told += effects
    while (due := next_wake(state)) is not None and due < 10**15 + 20 * SECOND:
        state, effects = step(plan, state, Wake(), due)
        told += effects
    assert not [one for one in told if isinstance(one, RecallStored)]
    assert state.wanted[0] == -900
