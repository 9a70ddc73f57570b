"""A player that is followed by time code: each song has its own, and that of another song says nothing of this one.
The quarter frames are those of RP-004/008 (`test_wire_time_code.py` has the standard's example)."""

from __future__ import annotations

import asyncio
import time

import pytest

from stagectl.live.followed import Followed
from stagectl.show.rig import PlayerModel
from stagectl.tracks.follow import Said
from stagectl.wire.time_code import RATES, quarter_begins, quarter_frame, quarter_from

S = 1_000_000_000
HOUR = 3_600 * S
RATE = RATES["25"]


def heard(code_at: int, position: int, seconds: int = 2) -> list[Said]:
    """What is said of a track by so many seconds of time code from a position on."""

    async def night() -> list[Said]:
        said: list[Said] = []
        troubles: list[str] = []
        model = PlayerModel.model_construct(name="box", port="box", follow="time code", follow_port=None)
        followed = Followed(model, said.append, troubles.append)
        followed.is_in(None, code_at)
        first, now = quarter_from(position, RATE), time.monotonic_ns()
        for quarter in range(first, quarter_from(position + seconds * S, RATE)):
            followed.put(quarter_frame(quarter, RATE), now + quarter_begins(quarter, RATE) - position)
            await asyncio.sleep(0)
        followed.close()
        assert troubles == []
        return [one._replace(at=one.at - now) for one in said]

    return asyncio.run(night())


@pytest.mark.parametrize("code_at", [0, HOUR, 23 * HOUR])
def test_a_song_s_own_time_code_says_where_its_track_is(code_at: int) -> None:
    said = heard(code_at, code_at + 10 * S)
    assert len(said) > 10
    assert all(one.runs and abs(one.position - one.at - 10 * S) < 5_000_000 for one in said)


@pytest.mark.parametrize(("code_at", "position"), [(0, HOUR + 5 * S), (HOUR, 5 * S), (2 * HOUR, HOUR + 5 * S)])
def test_that_of_another_song_says_nothing(code_at: int, position: int) -> None:
    assert heard(code_at, position) == []
