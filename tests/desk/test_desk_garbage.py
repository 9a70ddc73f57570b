"""Garbage on the wire: the virtual desk never raises, and what is damaged changes no other send."""

from __future__ import annotations

import pytest
from depth import examples
from hypothesis import given, settings
from hypothesis import strategies as st
from shipped import PROFILES, law_of, pair, picture, profile_of, sends, spot_of

from stagectl.desk.virtual import VirtualDesk


def _sound(desk: VirtualDesk, name: str) -> None:
    """Every level is one that the desk can say, and the table is whole."""
    for send in sends(name):
        level = picture(desk)[spot_of(send)]
        grid = law_of(name, send).grid
        # An OSC float may stand between two steps.
        assert level in grid.steps or grid.has_off or desk.profile.over == "osc"
    assert len(picture(desk)) == len(sends(name))


@pytest.mark.parametrize("name", PROFILES)
@given(packets=st.lists(st.binary(max_size=40), max_size=10))
def test_any_bytes_at_all(name: str, packets: list[bytes]) -> None:
    _, desk = pair(name)
    for packet in packets:
        before = picture(desk)
        heard = desk.hear(packet)
        changed = {spot for spot, level in picture(desk).items() if level != before[spot]}
        assert changed <= {(one.mix, one.socket) for one in heard}
    _sound(desk, name)


@pytest.mark.parametrize("name", PROFILES)
@settings(max_examples=examples(30))
@given(data=st.data())
def test_messages_with_bytes_cut_out_or_changed(name: str, data: st.DataObject) -> None:
    """Only what the desk says it heard has changed; and after the damage a whole message is heard again."""
    speaker, desk = pair(name)
    for send in data.draw(st.lists(st.sampled_from(sends(name)), min_size=1, max_size=6)):
        level = data.draw(st.sampled_from(law_of(name, send).grid.steps))
        for packet in speaker.say(send, level):
            damaged = bytearray(packet)
            at = data.draw(st.integers(0, len(damaged)))
            damaged[at : at + data.draw(st.integers(0, 3))] = data.draw(st.binary(max_size=3))
            before = picture(desk)
            heard = {(one.mix, one.socket): one.level for one in desk.hear(bytes(damaged))}
            assert picture(desk) == before | heard
        for packet in speaker.say(send, level):
            desk.hear(packet)
        assert picture(desk)[spot_of(send)] == level
    _sound(desk, name)


@pytest.mark.parametrize("name", [one for one in PROFILES if profile_of(one).over == "midi"])
@given(data=st.data())
def test_a_message_that_stops_short_changes_nothing_else(name: str, data: st.DataObject) -> None:
    """A plug that is pulled in the middle of a message: the rest never comes, and other sends stay as they are."""
    speaker, desk = pair(name)
    send = data.draw(st.sampled_from(sends(name)))
    other = data.draw(st.sampled_from([one for one in sends(name) if one != send]))
    steps = law_of(name, send).grid.steps
    stream = b"".join(speaker.say(send, steps[len(steps) // 2]))
    desk.hear(stream[: data.draw(st.integers(0, len(stream)))])
    before = picture(desk)
    for packet in speaker.say(other, law_of(name, other).grid.steps[-1]):
        desk.hear(packet)
    changed = {spot for spot, level in picture(desk).items() if level != before[spot]}
    assert changed <= {spot_of(other)}
    assert picture(desk)[spot_of(other)] == law_of(name, other).grid.steps[-1]
