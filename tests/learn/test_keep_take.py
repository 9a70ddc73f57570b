"""What was heard, kept as a file that our reader and mido's have to understand alike."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path

import mido
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from stagectl.cli.main import main
from stagectl.learn.keep_take import TICK_NS, take_bytes
from stagectl.learn.series import Packet
from stagectl.learn.take import pedals_of

_messages = st.one_of(
    st.tuples(st.integers(0x80, 0xBF), st.integers(0, 127), st.integers(0, 127)),
    st.tuples(st.integers(0xC0, 0xDF), st.integers(0, 127)),
    st.lists(st.integers(0, 127), max_size=6).map(lambda data: (0xF0, *data, 0xF7)),
    st.tuples(st.just(0xF1), st.integers(0, 127)),
).map(bytes)


@st.composite
def _heard(draw: st.DrawFn) -> list[Packet]:
    at, out = draw(st.integers(10**9, 10**12)), []
    for packet in draw(st.lists(_messages, max_size=12)):
        at += draw(st.integers(0, 3 * 10**9))
        out.append((at, packet))
    return out


@settings(max_examples=60)
@given(st.lists(st.tuples(st.sampled_from(["drum pedal", "vocal pedal", "größer", "ペダル"]), _heard()), max_size=3))
def test_what_was_heard_comes_back_at_its_time(
    tmp_path_factory: pytest.TempPathFactory, pedals: list[tuple[str, list[Packet]]]
) -> None:
    path = tmp_path_factory.mktemp("take") / "take.mid"
    path.write_bytes(take_bytes(pedals))
    said = [(name, packets) for name, packets in pedals if packets]
    zero = min((packets[0][0] for _, packets in said), default=0)
    found = pedals_of(path)
    assert [[packet for _, packet in packets] for _, packets in found] == [
        [packet for _, packet in packets] for _, packets in said
    ]
    for (_, then), (_, now) in zip(said, found, strict=True):
        assert all(abs(one[0] - zero - other[0]) <= TICK_NS for one, other in zip(then, now, strict=True))


def test_another_reader_finds_the_same_seconds() -> None:
    """mido's own count of seconds, by the tempo that RP-001 assumes."""
    packets = [(5 * 10**9, b"\xb0\x50\x7f"), (5 * 10**9 + 250_000_000, b"\xb0\x50\x00"), (7 * 10**9, b"\xc0\x05")]
    file = mido.MidiFile(file=BytesIO(take_bytes([("drum pedal", packets)])))
    assert [track.name for track in file.tracks] == ["drum pedal"]
    at, found = 0.0, []
    for message in file:
        at += message.time
        if not message.is_meta:
            found.append((round(at, 4), bytes(message.bin())))
    assert found == [(0.0, b"\xb0\x50\x7f"), (0.25, b"\xb0\x50\x00"), (2.0, b"\xc0\x05")]


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--take", "a.mid", "--keep", "b.mid"], "with --take there is a recording already"),
        (["--keep", "b.txt"], "the name of a take ends with `.mid`"),
        (["--keep", "nowhere/b.mid"], "there is no folder `nowhere`"),
        (["--keep", "old.mid"], "`old.mid` is there already; it is not overwritten"),
    ],
)
def test_wrong_usage_is_said_before_anybody_presses(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: list[str], says: str
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "old.mid").write_bytes(b"old")
    run = CliRunner().invoke(main, ["learn", *arguments])
    assert run.exit_code == 2
    assert says in run.output
    assert (tmp_path / "old.mid").read_bytes() == b"old"
