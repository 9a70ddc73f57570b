"""A track at the end of a wire, and a program that was away: for a moment the box is taken to play on; after a long
break, or on a machine that was started anew, nobody knows, and the night stays where it was."""

from __future__ import annotations

from pathlib import Path

import pytest
from recorded import recorded

from stagectl.core.actions import Action, Next, StartCue
from stagectl.core.effects import Effect, Track, Tracked
from stagectl.core.events import DeskCame, PlayerCame, Wake, Wanted
from stagectl.core.step import next_wake, step
from stagectl.live.broken_off import broken_off
from stagectl.live.resume import PLAYS_ON_NS, take_up
from stagectl.show.load import load_show

SECOND = 1_000_000_000

RIG = """
inputs: [{name: voice, socket: 1}]
listeners: [{name: singer, mix: 1, own input: voice}]
desk: {profile: osc-decibels, host: '127.0.0.1:9'}
players: [{name: box, host: '127.0.0.1:8', start: {osc: /start}, stop: {osc: /stop}}]
"""
SETLIST = """
title: a night
rig: rig.yaml
base: {singer: {voice: -20}}
songs:
  - name: one
    cue: {player: box, number: 1}
    length: 16 s
    then: next song
    levels: {singer: {voice: -18}}
    sections: [{name: verse, at: 0:06, levels: {singer: {voice: -16}}}]
  - {name: two, levels: {singer: {voice: -12}}}
"""


@pytest.mark.parametrize(
    ("away_ns", "anew", "stop"),
    [(8 * SECOND, False, 2), (8 * SECOND, True, 1), (PLAYS_ON_NS + 2 * SECOND, False, 1), (3_600 * SECOND, False, 1)],
)
def test_where_the_night_is_when_the_program_is_back(tmp_path: Path, away_ns: int, anew: bool, stop: int) -> None:
    (tmp_path / "rig.yaml").write_text(RIG)
    (tmp_path / "setlist.yaml").write_text(SETLIST)
    journal = tmp_path / "a.night"
    show = load_show(tmp_path)
    room = recorded(show, journal)
    plan = room.plan
    room.open()
    presses: list[tuple[int, Action]] = [(1, Next()), (2, StartCue())]
    for at, action in presses:
        room.do(Wanted(action=action, who="singer", listener=0), at * SECOND)
    room.wait(3 * SECOND)
    room.recorder.close()
    night = broken_off(journal)
    assert night is not None
    now = night.zero + night.heard_at + away_ns + (10**15 if anew else 0)
    wall_us = night.wall_us + (night.heard_at - night.at + away_ns) // 1_000
    taken = take_up(night, show, plan, now=now, wall_us=wall_us, tell=lambda _: None)
    taken.recorder.close()
    state, told = taken.state, list[Effect]()
    for event in taken.goes:
        state, effects = step(plan, state, event, taken.zero + taken.at)
        told += effects
    for event in (DeskCame(), PlayerCame(player=0)):
        state, effects = step(plan, state, event, now)
        told += effects
    while (due := next_wake(state)) is not None and due <= now + SECOND:
        state, effects = step(plan, state, Wake(), due)
        told += effects
    tracks = [one.what for one in told if isinstance(one, Tracked)]
    assert (state.place.stop, tracks) == ((2, [Track.REACHED]) if stop == 2 else (1, [Track.UNKNOWN]))
    assert (state.track is None) is (stop == 1)
