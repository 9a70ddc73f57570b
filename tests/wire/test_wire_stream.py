"""MIDI as a stream: the MIDI 1.0 examples, and the same messages however the bytes are cut."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise

import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stagectl.wire.midi import SYSEX_MAX
from stagectl.wire.stream import CUT_SHORT, NO_STATUS, TOO_LONG, UNDEFINED, MidiStream


def _fed(*parts: bytes) -> tuple[list[str], Counter[str]]:
    counted: Counter[str] = Counter()
    stream = MidiStream(counted)
    return [message.hex(" ").upper() for part in parts for message in stream.feed(part)], counted


# MIDI 1.0 Detailed Specification 4.2.1: running status, real-time bytes inside messages, the end of SysEx.
@pytest.mark.parametrize(
    ("stream", "messages"),
    [
        ("90 3C 27 40 2B 43 25", ["90 3C 27", "90 40 2B", "90 43 25"]),
        ("90 3C 27 3C 00 3E 29", ["90 3C 27", "90 3C 00", "90 3E 29"]),
        ("B0 F8 07 FE 64", ["F8", "FE", "B0 07 64"]),
        ("B0 07 64 FA 0A 40", ["B0 07 64", "FA", "B0 0A 40"]),
        ("C0 05 06 07", ["C0 05", "C0 06", "C0 07"]),
        ("F0 7D F8 01 F7", ["F8", "F0 7D 01 F7"]),
        ("F2 0A 00 F3 05 F6", ["F2 0A 00", "F3 05", "F6"]),
        ("E0 00 40", ["E0 00 40"]),
        # F9 and FD are undefined, and leave running status alone all the same.
        ("90 3C 27 F9 40 2B FD 43 25", ["90 3C 27", "F9", "90 40 2B", "FD", "90 43 25"]),
    ],
)
def test_examples(stream: str, messages: list[str]) -> None:
    raw = bytes.fromhex(stream)
    assert _fed(raw) == (messages, Counter())
    assert _fed(*(bytes((byte,)) for byte in raw)) == (messages, Counter())


@pytest.mark.parametrize(
    ("stream", "messages", "counted"),
    [
        ("07 64", [], {NO_STATUS: 2}),
        # SysEx and system common messages end running status, the undefined F4 and F5 too.
        ("B0 07 64 F0 7D 01 F7 07 64", ["B0 07 64", "F0 7D 01 F7"], {NO_STATUS: 2}),
        ("B0 07 64 F3 01 07 64", ["B0 07 64", "F3 01"], {NO_STATUS: 2}),
        ("B0 07 64 F4 07 64", ["B0 07 64"], {UNDEFINED: 1, NO_STATUS: 2}),
        ("B0 07 64 F5 07 64", ["B0 07 64"], {UNDEFINED: 1, NO_STATUS: 2}),
        ("F7", [], {UNDEFINED: 1}),
        ("B0 B0 07 64", ["B0 07 64"], {CUT_SHORT: 1}),
        ("B0 07 C0 05", ["C0 05"], {CUT_SHORT: 1}),
        # SysEx ends on any status byte that is not real-time; without its F7 it is not whole.
        ("F0 7D 01 B0 07 64", ["B0 07 64"], {CUT_SHORT: 1}),
        ("F0 7D F0 7D 02 F7", ["F0 7D 02 F7"], {CUT_SHORT: 1}),
    ],
)
def test_what_is_left_out_is_counted(stream: str, messages: list[str], counted: dict[str, int]) -> None:
    assert _fed(bytes.fromhex(stream)) == (messages, Counter(counted))


@pytest.mark.parametrize(
    ("length", "fits"), [(SYSEX_MAX - 1, True), (SYSEX_MAX, True), (SYSEX_MAX + 1, False), (SYSEX_MAX * 50, False)]
)
def test_the_longest_sysex(length: int, fits: bool) -> None:
    packet = bytes((0xF0, *([1] * (length - 2)), 0xF7))
    after = "B0 07 64"
    messages, counted = _fed(packet + bytes.fromhex(after))
    assert messages == ([packet.hex(" ").upper()] if fits else []) + [after]
    assert counted == ({} if fits else {TOO_LONG: 1})


@given(st.binary(max_size=60), st.lists(st.integers(0, 60), max_size=6))
def test_where_the_stream_is_cut_makes_no_difference(raw: bytes, cuts: list[int]) -> None:
    edges = [0, *sorted(min(cut, len(raw)) for cut in cuts), len(raw)]
    parts = [raw[a:b] for a, b in pairwise(edges)]
    assert _fed(*parts) == _fed(raw)


MESSAGES = st.one_of(
    st.builds(mido.Message, st.just("note_on"), note=st.integers(0, 127), velocity=st.integers(0, 127)),
    st.builds(mido.Message, st.just("control_change"), channel=st.integers(0, 15), control=st.integers(0, 127)),
    st.builds(mido.Message, st.just("program_change"), program=st.integers(0, 127)),
    st.builds(mido.Message, st.just("pitchwheel"), pitch=st.integers(-8192, 8191)),
    st.builds(mido.Message, st.just("sysex"), data=st.lists(st.integers(0, 127), min_size=1, max_size=20)),
    st.builds(mido.Message, st.just("songpos"), pos=st.integers(0, 16_383)),
    st.builds(mido.Message, st.sampled_from(("clock", "start", "tune_request", "active_sensing"))),
)


@given(st.lists(MESSAGES, max_size=12))
def test_the_messages_of_mido_come_whole(messages: list[mido.Message]) -> None:
    raw = b"".join(bytes(message.bytes()) for message in messages)
    assert _fed(raw) == ([message.hex() for message in messages], Counter())


@pytest.mark.parametrize("half", ["B0 07", "B0 07 64", "F0 7D 01", "F2 01", "90"])
def test_after_a_reset_nothing_is_half_said(half: str) -> None:
    counted: Counter[str] = Counter()
    stream = MidiStream(counted)
    stream.feed(bytes.fromhex(half))
    stream.reset()
    assert stream.feed(bytes.fromhex("07 64")) == []
    assert counted == {NO_STATUS: 2}
    assert stream.feed(bytes.fromhex("B0 07 64")) == [bytes.fromhex("B0 07 64")]
