"""What was heard, kept as a file. The judges: our own reader, which has to give back every byte at its time; mido,
which has to find the same messages and the same seconds; and the bytes of an F7 event as RP-001 has them."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path
from typing import Any, Self

import mido
import pytest
from click.testing import CliRunner
from hypothesis import example, given, settings
from hypothesis import strategies as st

from stagectl.cli.main import main
from stagectl.learn.keep_take import TICK_NS, WAIT_MAX, take_bytes
from stagectl.learn.series import Packet
from stagectl.learn.take import pedals_of
from stagectl.ports.midi import Heard
from stagectl.wire.midi_file import META, read_midi_file

_whole = st.one_of(
    st.tuples(st.integers(0x80, 0xBF), st.integers(0, 127), st.integers(0, 127)),
    st.tuples(st.integers(0xC0, 0xDF), st.integers(0, 127)),
    st.lists(st.integers(0, 127), max_size=6).map(lambda data: (0xF0, *data, 0xF7)),
).map(bytes)
"""What a file holds as it is."""

_any = st.one_of(_whole, st.binary(max_size=9), st.integers(0xF0, 0xFF).map(lambda status: bytes((status,))))

HOUR_NS = 3_600 * 10**9


@st.composite
def _heard(draw: st.DrawFn, packets: st.SearchStrategy[bytes]) -> list[Packet]:
    at, out = draw(st.integers(10**9, 10**12)), []
    for packet in draw(st.lists(packets, max_size=12)):
        at += draw(st.one_of(st.integers(0, 3 * 10**9), st.integers(0, 9 * HOUR_NS)))
        out.append((at, packet))
    return out


_names = st.sampled_from(["drum pedal", "vocal pedal", "größer", "ペダル"])


@settings(max_examples=120)
@given(st.lists(st.tuples(_names, _heard(_any)), max_size=3))
@example([("start box", [(0, b"\xf7"), (1, b"\xf7\xf7\x01"), (2, b""), (3, b"\xf0\xf8\xf7"), (4, bytes(300))])])
def test_every_byte_that_was_heard_comes_back_at_its_time(
    tmp_path_factory: pytest.TempPathFactory, pedals: list[tuple[str, list[Packet]]]
) -> None:
    """A time is rounded to the nearest tick, so it is off by half a tick at most."""
    path = tmp_path_factory.mktemp("take") / "take.mid"
    path.write_bytes(take_bytes(pedals))
    said = [some for _, packets in pedals if (some := [one for one in packets if one[1]])]
    zero = min((packets[0][0] for packets in said), default=0)
    found = pedals_of(path)
    assert [[packet for _, packet in packets] for _, packets in found] == [
        [packet for _, packet in packets] for packets in said
    ]
    for then, (_, now) in zip(said, found, strict=True):
        assert all(abs(one[0] - zero - other[0]) <= TICK_NS // 2 for one, other in zip(then, now, strict=True))


@settings(max_examples=40)
@given(_heard(_whole))
def test_another_reader_finds_the_same_messages(packets: list[Packet]) -> None:
    file = mido.MidiFile(file=BytesIO(take_bytes([("drum pedal", packets)])))
    at, found = 0, []
    for message in (message for track in file.tracks for message in track):
        at += message.time
        if not message.is_meta:
            found.append((at, bytes(message.bin())))
    assert found == [(round((at - packets[0][0]) / TICK_NS), packet) for at, packet in packets]


def test_another_reader_finds_the_same_seconds() -> None:
    """mido's own count of seconds, by the tempo that RP-001 assumes. It takes an F7 event for a SysEx message, and is
    told to make data bytes of what is none there: its time counts."""
    heard = [(0, b"\xb0\x50\x7f"), (250_000_000, b"\xfa"), (500_000_000, b"\xb0\x50\x00"), (2 * 10**9, b"\xc0\x05")]
    packets = [(5 * 10**9 + at, packet) for at, packet in heard]
    file = mido.MidiFile(file=BytesIO(take_bytes([("drum pedal", packets)])), clip=True)
    assert [track.name for track in file.tracks] == ["drum pedal"]
    at, found = 0.0, []
    for message in file:
        at += message.time
        if not message.is_meta:
            found.append((round(at, 4), message.type, bytes(message.bin())))
    kinds = [(at, kind) for at, kind, _ in found]
    assert kinds == [(0.0, "control_change"), (0.25, "sysex"), (0.5, "control_change"), (2.0, "program_change")]
    assert [packet for _, kind, packet in found if kind != "sysex"] == [heard[at][1] for at in (0, 2, 3)]


@pytest.mark.parametrize(
    ("packet", "event"),
    [
        (b"\xb0\x50\x7f", "00 b0 50 7f"),
        (b"\xf0\x7d\x01\xf7", "00 f0 03 7d 01 f7"),
        (b"\xf0\x7d\x01", "00 f7 03 f0 7d 01"),
        (b"\xf0\x01\xf8\x02\xf7", "00 f7 05 f0 01 f8 02 f7"),
        (b"\xfa", "00 f7 01 fa"),
        (b"\xf3\x01", "00 f7 02 f3 01"),
        (b"\xf4", "00 f7 01 f4"),
        (b"\xb0\x50", "00 f7 02 b0 50"),
        (b"\xb0\x50\x80", "00 f7 03 b0 50 80"),
        (b"\xf0" + b"\x01" * 127 + b"\xf7", "00 f0 81 00" + " 01" * 127 + " f7"),
    ],
)
def test_what_is_no_message_of_a_file_is_an_escape(packet: bytes, event: str) -> None:
    """RP-001: F0 and F7, a length, and so many bytes; 128 is the length 81 00."""
    body = bytes.fromhex("00 ff 03 01 78" + event + "00 ff 2f 00")
    head = b"MThd\0\0\0\6\0\1\0\1" + (25_000).to_bytes(2, "big")
    assert take_bytes([("x", [(7, packet)])]) == head + b"MTrk" + len(body).to_bytes(4, "big") + body


@pytest.mark.parametrize("ticks", [WAIT_MAX, WAIT_MAX + 1, 2 * WAIT_MAX, 2 * WAIT_MAX + 1])
def test_a_wait_that_no_number_can_say_has_texts_in_it(ticks: int) -> None:
    """RP-001: 0F FF FF FF is the longest time before an event."""
    data = take_bytes([("x", [(0, b"\xfa"), (ticks * TICK_NS, b"\xfc")])])
    (events,) = read_midi_file(data).tracks
    said = [(event.tick, event.packet) for event in events if event.packet[0] != META]
    assert said == [(0, b"\xf7\xfa"), (ticks, b"\xf7\xfc")]
    assert data.count(b"\xff\xff\xff\x7f\xff\x01\x00") == (ticks - 1) // WAIT_MAX


# -- the command ----------------------------------------------------------------------------------------------

SWITCH = (b"\xb0\x50\x7f", b"\xfa", b"\xb0\x50\x00", b"\xfc", b"\xf4", b"\xf0\x7d\x01", b"\xb0\x50")


class System:
    """A MIDI system with one port, which has said all that it has to say when it is open: a switch, pressed three
    times, that starts and stops a machine, too, on a bad cable."""

    def inputs(self) -> list[str]:
        return ["start box:out"]

    def open_in(self, _: str, heard: Heard) -> Self:
        for at in range(3):
            for number, packet in enumerate(SWITCH):
                heard(packet, at * 10**9 + number * 10**8)
        return self

    def close(self) -> None:
        """Nothing is open."""


@pytest.fixture
def start_box(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder to learn a start box in."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("stagectl.ports.midi.open_system", lambda _: System())
    monkeypatch.setattr("stagectl.learn.watching.enter_pressed", lambda _: True)
    return tmp_path


def test_a_pedal_that_says_more_than_messages_is_kept_whole(start_box: Path) -> None:
    run = CliRunner().invoke(main, ["learn", "--keep", "box.mid", "-o", "box.yaml"])
    assert run.exit_code == 0, run.output
    [(name, packets)] = pedals_of(start_box / "box.mid")
    assert (name, [packet for _, packet in packets]) == ("start box:out", [*SWITCH * 3])
    assert "control change: 80" in (start_box / "box.yaml").read_text()
    again = CliRunner().invoke(main, ["learn", "--take", "box.mid"])
    written = (start_box / "box.yaml").read_text()
    assert again.stdout.partition("controls:")[2] == written.partition("controls:")[2] != ""


def test_the_mapping_is_written_whatever_becomes_of_the_take(start_box: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: Any, **__: Any) -> Any:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("stagectl.whole.tempfile.mkstemp", full)
    run = CliRunner().invoke(main, ["learn", "--keep", "box.mid"])
    assert run.exit_code == 3
    assert "Not kept: box.mid cannot be written: No space left on device" in run.output
    assert "control change: 80" in run.stdout and not (start_box / "box.mid").exists()


@pytest.mark.parametrize("said", [(), (b"\xf8", b"\xfe")])
def test_a_take_of_nothing_is_not_kept(
    start_box: Path, monkeypatch: pytest.MonkeyPatch, said: tuple[bytes, ...]
) -> None:
    """So that the next try is not refused because of it."""
    monkeypatch.setattr("test_keep_take.SWITCH", said)
    run = CliRunner().invoke(main, ["learn", "--keep", "box.mid"])
    assert run.exit_code == 3
    assert "no control spoke" in run.output and "Kept" not in run.output
    assert list(start_box.iterdir()) == []


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
