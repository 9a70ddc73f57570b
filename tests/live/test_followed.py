"""A player that is followed by time code: each song has its own, and that of another song says nothing of this one; and
one that is followed by its clock, whose port goes and comes. The quarter frames are those of RP-004/008
(`test_wire_time_code.py` has the standard's example)."""

from __future__ import annotations

import asyncio
import time
from pathlib import Path

import pytest

from stagectl.core.actions import Next
from stagectl.core.events import Event, PlayerSaid, Wanted
from stagectl.core.state import Running, begin
from stagectl.core.step import step
from stagectl.live.desk import DeskSide
from stagectl.live.followed import Followed
from stagectl.live.inbox import FULL, INBOX_MAX
from stagectl.live.tracks import Tracks
from stagectl.show.compile import compile_show
from stagectl.show.load import load_show
from stagectl.show.rig import PlayerModel
from stagectl.tracks.follow import Said
from stagectl.where import shipped
from stagectl.wire.time_code import RATES, Rate, quarter_begins, quarter_frame, quarter_from

S = 1_000_000_000
HOUR = 3_600 * S
RATE = RATES["25"]


def heard(code_at: int, position: int, seconds: int = 2, rate: Rate = RATE) -> list[Said]:
    """What is said of a track by so many seconds of time code from a position on."""

    async def night() -> list[Said]:
        said: list[Said] = []
        troubles: list[str] = []
        model = PlayerModel.model_construct(name="box", port="box", follow="time code", follow_port=None)
        followed = Followed(model, said.append, troubles.append)
        followed.is_in(None, code_at)
        first, now = quarter_from(position, rate), time.monotonic_ns()
        for quarter in range(first, quarter_from(position + seconds * S, rate)):
            followed.put(quarter_frame(quarter, rate), now + quarter_begins(quarter, rate) - position)
            await asyncio.sleep(0)
        followed.close()
        assert troubles == []
        return [one._replace(at=one.at - now) for one in said]

    return asyncio.run(night())


def test_what_comes_faster_than_it_can_be_taken_is_counted_once() -> None:
    async def night() -> list[tuple[str | None, str | None, int | None]]:
        model = PlayerModel.model_construct(name="box", port="box", follow="time code", follow_port=None)
        followed = Followed(model, lambda _: None, pytest.fail)
        for _ in range(INBOX_MAX + 7):
            followed.put(b"\xf8", time.monotonic_ns())
        rows = [*followed.counts(0), *followed.counts(1)]
        followed.close()
        return [(row.who, row.what, row.number) for row in rows]

    assert asyncio.run(night()) == [("box", FULL, 7)]


def test_what_the_desk_says_faster_than_it_can_be_taken_is_counted() -> None:
    async def night() -> list[int | None]:
        show = load_show(shipped("setlists") / "nine-songs")
        side = DeskSide(show, lambda *_: None, pytest.fail)
        assert side.voice is not None
        for _ in range(INBOX_MAX + 7):
            side.voice._heard(b"\xb0\x07\x40", time.monotonic_ns())
        rows = [row.number for row in side.counts(0) if row.what == FULL]
        side.close()
        return rows

    assert asyncio.run(night()) == [7]


@pytest.mark.parametrize("code_at", [0, HOUR, 23 * HOUR])
def test_a_song_s_own_time_code_says_where_its_track_is(code_at: int) -> None:
    said = heard(code_at, code_at + 10 * S)
    assert len(said) > 10
    assert all(one.runs and abs(one.position - one.at - 10 * S) < 5_000_000 for one in said)


# The frames before 00:01:00;02, 00:09:00;02, 01:00:00;00 and 10:00:00;00, counted by hand (1.001 / 30 s each).
@pytest.mark.parametrize(("code_at_s", "frame"), [(60, 1_800), (540, 16_184), (3_600, 107_892), (36_000, 1_078_920)])
def test_a_song_s_own_drop_frame_is_where_its_track_begins(code_at_s: int, frame: int) -> None:
    """The player that begins a track at the very name says that it is at the track's beginning."""
    begins = -(-frame * 1_001 * S // 30_000)
    said = heard(code_at_s * S, begins, rate=RATES["30 drop"])
    assert len(said) > 10
    # It has counted from 0 of the track on, as the time that went by.
    assert all(one.runs and abs(one.position - one.at) < 1_000_000 for one in said)


@pytest.mark.parametrize(("code_at", "position"), [(0, HOUR + 5 * S), (HOUR, 5 * S), (2 * HOUR, HOUR + 5 * S)])
def test_that_of_another_song_says_nothing(code_at: int, position: int) -> None:
    assert heard(code_at, position) == []


RIG = """inputs: [{name: voice, socket: 1}]
listeners: [{name: singer, mix: 1}]
desk: {profile: control-change, port: desk}
players:
  - {name: laptop, port: laptop, follow: clock, start: [{realtime: start}], stop: {realtime: stop}}
"""

SETLIST = """title: followed
rig: rig.yaml
base: {singer: {voice: -10}}
songs: [{name: a, tempo: 120, cue: {player: laptop, number: 1}}]
"""


def test_a_track_that_ran_on_unheard_stands_where_it_got_to(tmp_path: Path) -> None:
    """Its port was away for a moment; then the player is stopped by hand."""
    (tmp_path / "rig.yaml").write_text(RIG)
    (tmp_path / "setlist.yaml").write_text(SETLIST)
    show = load_show(tmp_path)

    async def night() -> list[PlayerSaid]:
        events: list[Event] = []
        tracks = Tracks(
            show, compile_show(show).plan, "jack", lambda event, _: events.append(event), print, pytest.fail
        )
        [followed] = tracks._followed.values()
        followed.is_in(show.tempos[0], 0)
        now = time.monotonic_ns()
        tracks._track = Running(0, 1, 0, now - 90 * S, 0, now - 90 * S)
        followed._heard(0, bytes((0xFC,)), now)
        await asyncio.sleep(0)
        tracks.close()
        return [one for one in events if isinstance(one, PlayerSaid)]

    (said,) = asyncio.run(night())
    assert not said.runs and abs(said.position - 90 * S) < S // 10


def heard_by_clock(folder: Path, *happens: str) -> list[list[PlayerSaid]]:
    """What is heard of two seconds of the player's clock, each time that it starts. In between: `next`, or that its
    port `goes` or `comes`."""
    (folder / "rig.yaml").write_text(RIG)
    (folder / "setlist.yaml").write_text(SETLIST)
    show = load_show(folder)
    plan = compile_show(show).plan

    async def night() -> list[list[PlayerSaid]]:
        state, said = begin(plan, 0), []
        events: list[Event] = []
        tracks = Tracks(show, plan, "jack", lambda event, _: events.append(event), lambda _: None, pytest.fail)
        [followed] = tracks._followed.values()
        for number, what in enumerate(happens, 1):
            if what == "next":
                state = step(plan, state, Wanted(action=Next(), who="foot", listener=None), number * S).state
                tracks.look(state)
            elif what in ("goes", "comes"):
                tracks.link_changed(followed.link, what == "comes")
            else:
                events.clear()
                now = time.monotonic_ns()
                for at, packet in enumerate([b"\xfa", *[b"\xf8"] * 96, b"\xfc"]):
                    followed._heard(0, packet, now + at * 20_833_333)
                said.append([one for one in events if isinstance(one, PlayerSaid)])
        tracks.close()
        return said

    return asyncio.run(night())


def test_a_port_that_comes_back_in_mid_song_is_heard_as_before(tmp_path: Path) -> None:
    before, after = heard_by_clock(tmp_path, "comes", "next", "plays", "goes", "comes", "plays")
    assert len(before) > 10 and len(after) == len(before)
    assert [one.runs for one in after] == [one.runs for one in before]


def test_a_port_that_comes_after_its_song_was_taken_up_is_heard(tmp_path: Path) -> None:
    (said,) = heard_by_clock(tmp_path, "next", "comes", "plays")
    assert len(said) > 10
