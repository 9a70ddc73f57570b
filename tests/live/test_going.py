"""What is to go of the set, as the real core goes through it."""

from __future__ import annotations

from pathlib import Path

import pytest
from msgspec.structs import replace

from stagectl.core.actions import GoTo, Next, PauseCue
from stagectl.core.events import Event, PlayerCame, Wake, Wanted
from stagectl.core.plan import Plan
from stagectl.core.state import State, begin
from stagectl.core.step import step
from stagectl.live.going import Going
from stagectl.show.compile import compile_show
from stagectl.show.load import load_show

S = 10**9
MIN = 60 * S

RIG = """\
inputs: [{name: voice, socket: 1}]
listeners: [{name: ada, mix: 1}]
desk: {profile: control-change, port: desk}
players:
  - name: box
    port: box
    start: {program: cue, channel: 1}
    stop: {program: 0, channel: 2}
    pause: {program: 1, channel: 2}
    go on: {program: 2, channel: 2}
"""

SETLIST = """\
title: duo
rig: rig.yaml
base: {ada: {voice: -6}}
gap: 30
songs:
  - {name: Seven Gates, length: 6:00, sections: [{name: end}]}
  - {name: Morning Mist, cue: {player: box, number: 1}, length: 3:00}
  - {name: The Ferry Waltz}
"""


class Set:
    """The core, and what goes along with it."""

    def __init__(self, folder: Path) -> None:
        (folder / "rig.yaml").write_text(RIG)
        (folder / "setlist.yaml").write_text(SETLIST)
        show = load_show(folder)
        self.plan: Plan = compile_show(show).plan
        self.state: State = begin(self.plan, 0)
        self.going = Going(show, self.plan)
        self.do(PlayerCame(player=0), 0)

    def do(self, event: Event, at: int) -> None:
        self.state, _ = step(self.plan, self.state, event, at)
        self.going.look(self.state)

    def to_go(self, at: int) -> int | None:
        return self.going.to_go(self.state, at)


def wish(action: Next | GoTo | PauseCue) -> Wanted:
    return Wanted(action=action, who="ada", listener=0)


@pytest.fixture
def duo(tmp_path: Path) -> Set:
    return Set(tmp_path)


def test_before_the_first_song_nothing_is_to_go(duo: Set) -> None:
    assert duo.to_go(MIN) is None


def test_it_goes_from_song_to_song(duo: Set) -> None:
    duo.do(wish(Next()), 10 * MIN)
    # 6:00, 0:30, 3:00, 0:30, and 4:00 for the song whose length nobody has said.
    assert duo.to_go(10 * MIN) == 14 * MIN
    assert duo.to_go(12 * MIN) == 12 * MIN
    duo.do(wish(Next()), 13 * MIN)
    assert duo.to_go(13 * MIN) == 11 * MIN, "a section is no song"
    assert duo.to_go(20 * MIN) == 8 * MIN, "a song that takes longer is as good as over"
    duo.do(wish(Next()), 21 * MIN)
    assert duo.to_go(22 * MIN) == 6 * MIN + 30 * S
    duo.do(wish(Next()), 24 * MIN)
    assert duo.to_go(25 * MIN) == 3 * MIN
    assert duo.to_go(28 * MIN) is None, "and then it is over"


def test_a_track_that_is_paused_stands_still(duo: Set) -> None:
    duo.do(wish(GoTo(stop=3)), 0)
    duo.do(wish(PauseCue()), MIN)
    for at in (MIN, 5 * MIN):
        duo.do(Wake(), at)
        assert duo.to_go(at) == 6 * MIN + 30 * S


def test_a_song_whose_track_is_lost_goes_on_from_where_the_track_was(duo: Set) -> None:
    """The track is begun two minutes after the song: what counts is where it was."""
    duo.do(wish(GoTo(stop=3)), 0)
    duo.do(wish(PauseCue()), MIN)
    duo.do(wish(PauseCue()), 3 * MIN)
    assert duo.state.track is not None and duo.to_go(4 * MIN) == 5 * MIN + 30 * S
    duo.going.look(duo.state)
    assert duo.going.to_go(replace(duo.state, track=None), 4 * MIN) == 5 * MIN + 30 * S
    assert duo.going.began == 0, "but the song itself began when it came"
