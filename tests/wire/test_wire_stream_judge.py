"""Our reader of MIDI bytes against ALSA's, over random streams. Source of both: MIDI 1.0 Detailed Specification
4.2.1 (running status, real-time messages, the end of SysEx).

The judge differs in two cases, and in no other:

- F9 and FD: it leaves them out; ours hands them on, so that they are counted by name. They are undefined, and the
  specification has running status "untouched by real-time (also undefined F9, FD)": on that both readers agree.
- a SysEx message longer than `SYSEX_MAX` bytes: ours leaves it out, and counts it, because everything is bounded. The
  specification has no bound.
"""

from __future__ import annotations

from collections import Counter

import pytest
from alsa_judge import Judge, judged
from hypothesis import given
from hypothesis import strategies as st

from stagectl.wire.midi import SYSEX, SYSEX_MAX
from stagectl.wire.stream import TOO_LONG, MidiStream

JUDGE_DROPS = (b"\xf9", b"\xfd")


@pytest.fixture(scope="module", autouse=True)
def _judge() -> None:
    """The library is there, or the tests are skipped with the reason."""
    Judge().close()


def ours(data: bytes) -> tuple[list[bytes], Counter[str]]:
    counted: Counter[str] = Counter()
    return MidiStream(counted).feed(data), counted


# The same streams as in the examples of our own reader, so that the judge is judged too.
@pytest.mark.parametrize(
    ("stream", "messages"),
    [
        ("90 3C 27 40 2B 43 25", "90 3C 27|90 40 2B|90 43 25"),
        ("90 3C 27 3C 00 3E 29", "90 3C 27|90 3C 00|90 3E 29"),
        ("B0 F8 07 FE 64", "F8|FE|B0 07 64"),
        ("F0 7D F8 01 F7", "F8|F0 7D 01 F7"),
        ("F0 7D 01 B0 07 64", "B0 07 64"),
        ("F0 7D F0 7D 02 F7", "F0 7D 02 F7"),
        ("B0 07 64 F4 07 64", "B0 07 64"),
        ("B0 07 64 F3 01 07 64", "B0 07 64|F3 01"),
        ("90 3C F9 27 40 FD 2B", "90 3C 27|90 40 2B"),
        ("07 64 F7 E0 00 40", "E0 00 40"),
    ],
)
def test_the_judge_knows_the_examples(stream: str, messages: str) -> None:
    said = [message.hex(" ").upper() for message in judged(bytes.fromhex(stream))]
    assert "|".join(said) == messages


STATUS = st.integers(0x80, 0xFF)
DATA = st.integers(0, 0x7F)
PIECES = st.one_of(
    st.binary(max_size=12),
    st.lists(DATA, max_size=6).map(bytes),
    # A status and some data: whole, too little, or more by running status.
    st.builds(lambda status, data: bytes((status, *data)), STATUS, st.lists(DATA, max_size=5)),
    # Undefined status bytes, and real-time bytes that come anywhere.
    st.sampled_from((b"\xf4", b"\xf5", b"\xf9", b"\xfd", b"\xf8", b"\xfe", b"\xfa", b"\xff", b"\xf7")),
    # SysEx, with other status bytes in it, with and without its end.
    st.builds(
        lambda data, end: bytes((SYSEX, *data)) + end,
        st.lists(st.one_of(DATA, st.sampled_from((0xF8, 0xFA, 0xFE, 0xF9, 0xF4, 0x90, 0xF6))), max_size=8),
        st.sampled_from((b"\xf7", b"")),
    ),
)


@given(st.lists(PIECES, max_size=30).map(b"".join))
def test_both_read_a_stream_alike(data: bytes) -> None:
    said, counted = ours(data)
    assert counted[TOO_LONG] == 0
    assert [message for message in said if message not in JUDGE_DROPS] == judged(data)


@pytest.mark.parametrize(("length", "fits"), [(SYSEX_MAX, True), (SYSEX_MAX + 1, False)])
def test_only_ours_has_a_bound(length: int, fits: bool) -> None:
    packet = bytes((SYSEX, *([1] * (length - 2)), 0xF7))
    said, counted = ours(packet)
    assert judged(packet) == [packet]
    assert (said, counted) == (([packet], Counter()) if fits else ([], Counter({TOO_LONG: 1})))
