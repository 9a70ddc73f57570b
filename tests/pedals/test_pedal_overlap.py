"""Controls that count as different are: no message moves both, and neither hears the other's."""

from __future__ import annotations

from typing import Any

import pytest
from ears import mapping, moves
from hypothesis import given
from hypothesis import strategies as st

from stagectl.core.events import Unmapped
from stagectl.pedals.hear import MidiEar, OscEar
from stagectl.show.mapping import MappingModel
from stagectl.show.overlap import overlap
from stagectl.wire.osc import build

CHANNELS = st.sampled_from(("any", 1, 2))
NUMBERS = st.sampled_from((0, 1, 6, 11, 32, 38, 43, 96, 98, 101))
LOW = st.sampled_from((0, 1, 6, 11))
BYTES = st.sampled_from(("00", "01", "??"))


def _on_channel(kind: str, numbers: st.SearchStrategy[Any]) -> st.SearchStrategy[dict[str, Any]]:
    return st.builds(lambda number, channel: {kind: number, "channel": channel}, numbers, CHANNELS)


SENDS = st.one_of(
    _on_channel("note", NUMBERS),
    _on_channel("control change", NUMBERS),
    _on_channel("control change pair", LOW),
    _on_channel("nrpn", st.sampled_from((0, 1, 128, 129))),
    _on_channel("rpn", st.sampled_from((0, 1, 128, 129))),
    _on_channel("program", st.integers(0, 1)),
    st.builds(
        lambda bank, channel: {"program": 1, "bank": bank, "channel": channel}, st.sampled_from((0, 1, 128)), CHANNELS
    ),
    _on_channel("pitch bend", st.none()),
    _on_channel("channel pressure", st.none()),
    _on_channel("key pressure", LOW),
    st.builds(lambda a, b: {"sysex": f"F0 {a} {b} F7"}, BYTES, st.one_of(BYTES, st.just("{value}"))),
    st.builds(lambda word: {"realtime": word}, st.sampled_from(("start", "stop"))),
    st.builds(lambda song: {"song select": song}, st.integers(0, 1)),
)

DATA = st.sampled_from((0, 1, 2, 0x7F))
MESSAGES = st.one_of(
    st.builds(lambda c, n, v: bytes((0xB0 | c, n, v)), st.integers(0, 2), st.integers(0, 101), DATA),
    st.builds(lambda c, n, v: bytes((0xB0 | c, n, v)), st.integers(0, 1), NUMBERS, DATA),
    st.builds(
        lambda c, a, b, v: bytes((0xB0 | c, a + 1, 0, 0xB0 | c, a, b, 0xB0 | c, 6, v)),
        st.integers(0, 1),
        st.sampled_from((98, 100)),
        DATA,
        DATA,
    ),
    st.builds(
        lambda k, c, n, v: bytes((k | c, n, v)), st.sampled_from((0x90, 0xA0, 0xE0)), st.integers(0, 2), NUMBERS, DATA
    ),
    st.builds(lambda k, c, n: bytes((k | c, n)), st.sampled_from((0xC0, 0xD0)), st.integers(0, 2), DATA),
    st.builds(lambda a, b: bytes((0xF0, a, b, 0xF7)), DATA, DATA),
    st.sampled_from((b"\xfa", b"\xfc", b"\xf3\x00", b"\xf3\x01", b"\xf8")),
)


@given(SENDS, SENDS, st.lists(MESSAGES, max_size=40))
def test_controls_that_can_be_told_apart_are(one: Any, other: Any, stream: list[bytes]) -> None:
    both = mapping(one, other)
    first, second = (control.sends for control in both.controls.values())
    told = overlap(first, second)
    assert (told is None) == (overlap(second, first) is None)
    assert overlap(first, first) == ""
    if told is not None:
        return
    ear, alone, beside = MidiEar(0, both), MidiEar(0, mapping(one)), MidiEar(0, mapping(other))
    for message in stream:
        expected = moves(alone.hear(message)) + [(1, value) for _, value in moves(beside.hear(message))]
        assert sorted(moves(ear.hear(message))) == sorted(expected)


@given(SENDS, SENDS, st.lists(MESSAGES, min_size=1, max_size=40))
def test_a_message_that_moves_two_controls_is_an_overlap(one: Any, other: Any, stream: list[bytes]) -> None:
    alone, beside = MidiEar(0, mapping(one)), MidiEar(0, mapping(other))
    first, second = (control.sends for control in mapping(one, other).controls.values())
    for message in stream:
        # What waited is told apart from what the message itself moves.
        alone.settle()
        beside.settle()
        if moves(alone.hear(message)) and moves(beside.hear(message)):
            assert overlap(first, second) is not None


# MIDI 1.0 Detailed Specification 4.2.1: what selects a parameter and enters its data; what selects a bank.
@pytest.mark.parametrize(
    ("sends", "controllers"),
    [
        ({"nrpn": 1}, {6, 38, 96, 97, 98, 99, 100, 101}),
        ({"rpn": 1}, {6, 38, 96, 97, 98, 99, 100, 101}),
        ({"program": 1, "bank": 1}, {0, 32}),
        ({"control change pair": 11}, {11, 43}),
        ({"program": 1}, set()),
    ],
    ids=str,
)
def test_controllers_that_mean_something_else(sends: Any, controllers: set[int]) -> None:
    (first,) = (control.sends for control in mapping(sends).controls.values())
    for number in range(128):
        (plain,) = (control.sends for control in mapping({"control change": number}).controls.values())
        assert (overlap(first, plain) is not None) == (number in controllers)


def test_osc_controls_are_told_apart_by_their_address() -> None:
    one, other = (control.sends for control in mapping({"osc": "/a"}, {"osc": "/a", "top": 5}).controls.values())
    assert overlap(one, other) == ""
    ear = OscEar(0, mapping({"osc": "/a"}, {"osc": "/b", "top": 127}))
    assert moves(ear.hear(build("/b", (127,)))) == [(1, 16383)]
    assert moves(ear.hear(build("/a", ()))) == [(0, 16383), (0, 0)]
    assert moves(ear.hear(build("/b", (64,)))) == [(1, 8256)]
    # An odd message is refused by itself.
    parts = [build("/b", (127,)), b"/a\0\0,x\0\0", build("/a", (1,))]
    bundle = b"#bundle\0" + bytes(8) + b"".join(len(part).to_bytes(4, "big") + part for part in parts)
    events = ear.hear(bundle)
    assert moves(events) == [(1, 16383), (0, 16383)]
    assert [one.said for one in events if isinstance(one, Unmapped)] == [
        "the OSC type tag `x` is not known: the message is discarded"
    ]
    ear.reset()


def test_a_message_without_a_value_moves_no_treadle() -> None:
    ride = {"ride": "own", "from": -12, "to": 12}
    controls = {"treadle": {"sends": {"osc": "/a"}, "turn": ride}, "switch": {"sends": {"osc": "/b"}}}
    ear = OscEar(0, MappingModel.model_validate({"name": "a board", "controls": controls}))
    for packet in (build("/a"), build("/a", ("up",))):
        (event,) = ear.hear(packet)
        assert isinstance(event, Unmapped)
    assert moves(ear.hear(build("/a", (0.5,)))) == [(0, 8192)]
    assert moves(ear.hear(build("/b"))) == [(1, 16383), (1, 0)]
