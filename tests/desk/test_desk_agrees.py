"""What is said is what is heard: for every shipped profile the virtual desk agrees with the speaker."""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter

import pytest
from depth import examples
from hypothesis import given, settings
from hypothesis import strategies as st
from shipped import MIXES, PROFILES, SOCKETS, columns, law_of, pair, picture, sends, spot_of

from stagectl.core.levels import OFF, Level, height
from stagectl.desk.virtual import VirtualDesk
from stagectl.wire.laws import Law

SMALL = 2_000
"""A grid of so many steps is tried whole."""


def _step_at(law: Law, level: int) -> int:
    """The wider of the steps beside a level, hundredths of a dB."""
    steps = law.grid.steps
    at = min(max(bisect_left(steps, level), 1), len(steps) - 1)
    return max(steps[at] - steps[at - 1], steps[min(at + 1, len(steps) - 1)] - steps[at])


def _tell(desk: VirtualDesk, packets: tuple[bytes, ...]) -> list[Level]:
    return [heard.level for packet in packets for heard in desk.hear(packet)]


@pytest.mark.parametrize("name", PROFILES)
def test_every_level_of_the_grid_arrives(name: str) -> None:
    speaker, desk = pair(name)
    for send in (sends(name)[0], sends(name)[-1]):
        grid = law_of(name, send).grid
        mix, socket = spot_of(send)
        steps = grid.steps[:: max(1, len(grid.steps) // SMALL)]
        levels: list[Level] = [*steps, grid.steps[-1]]
        for level in levels + [OFF] * grid.has_off:
            assert _tell(desk, speaker.say(send, level))[-1] == level
            assert (desk.whole(mix) if socket is None else desk.level(socket, mix)) == level
    assert desk.not_understood == Counter()


@pytest.mark.parametrize("name", PROFILES)
@given(data=st.data())
def test_any_level_arrives_within_half_a_step(name: str, data: st.DataObject) -> None:
    speaker, desk = pair(name)
    send = data.draw(st.sampled_from(sends(name)))
    law = law_of(name, send)
    wished = data.draw(st.integers(law.grid.steps[0], law.grid.steps[-1]))
    told = law.grid.nearest(wished, law.grid.highest)
    (*_, found) = _tell(desk, speaker.say(send, told))
    assert isinstance(found, int)
    assert abs(found - wished) <= _step_at(law, wished) / 2
    assert found == told


@pytest.mark.parametrize("name", PROFILES)
def test_no_two_sends_share_a_message(name: str) -> None:
    """Each send is told a level of its own, once; then each still has it."""
    speaker, desk = pair(name)
    expected: dict[tuple[int, int | None], Level] = {}
    for at, send in enumerate(sends(name)):
        steps = law_of(name, send).grid.steps
        level = steps[(at + 1) * len(steps) // (len(sends(name)) + 2)]
        before = picture(desk)
        _tell(desk, speaker.say(send, level))
        expected[spot_of(send)] = level
        changed = {spot for spot, now in picture(desk).items() if now != before[spot]}
        # Whole mixes begin at 0 dB, which may be the one that is told.
        assert changed == ({spot_of(send)} if before[spot_of(send)] != level else set())
    assert picture(desk) == expected
    assert len(expected) == columns(name) * len(MIXES)
    assert desk.inputs == SOCKETS


@pytest.mark.parametrize("name", PROFILES)
@given(data=st.data())
def test_on_its_way_a_level_never_passes_where_it_comes_from_and_goes_to(name: str, data: st.DataObject) -> None:
    """Values in two parts pass through the coarse part alone, which is never louder."""
    speaker, desk = pair(name)
    send = data.draw(st.sampled_from(sends(name)))
    grid = law_of(name, send).grid
    levels: list[Level] = [*grid.steps, *[OFF] * grid.has_off]
    for _ in range(4):
        level = data.draw(st.sampled_from(levels))
        on_the_way = _tell(desk, speaker.say(send, level))
        assert on_the_way[-1] == level
        assert max(map(height, on_the_way)) == height(level)


@pytest.mark.parametrize("name", PROFILES)
@settings(max_examples=examples(30))
@given(data=st.data())
def test_a_whole_show_of_messages_arrives(name: str, data: st.DataObject) -> None:
    """Any sends in any order, running into one another; the last word of each counts."""
    speaker, desk = pair(name)
    expected = picture(desk)
    stream = b""
    for send in data.draw(st.lists(st.sampled_from(sends(name)), max_size=20)):
        level = data.draw(st.sampled_from(law_of(name, send).grid.steps))
        expected[spot_of(send)] = level
        packets = speaker.say(send, level)
        if desk.profile.over == "osc":
            _tell(desk, packets)
        else:
            stream += b"".join(packets)
    desk.hear(stream)
    assert picture(desk) == expected
