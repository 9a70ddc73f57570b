"""Recordings of a desk: the text of our own, Standard MIDI Files with markers, and what is refused."""

from __future__ import annotations

from pathlib import Path

import pytest
from hands import Hand, save
from hypothesis import given
from hypothesis import strategies as st

from stagectl.errors import FileFaults
from stagectl.learn import desk_take
from stagectl.learn.desk_analyse import analyse
from stagectl.learn.desk_moves import INPUTS_MAX, MIXES_MAX, Move, Part, Spot, Way, parse_move
from stagectl.learn.desk_take import links_of, take_text
from stagectl.show.load import load_profile

spots = st.builds(Spot, st.one_of(st.none(), st.integers(1, INPUTS_MAX)), st.integers(1, MIXES_MAX))
moves = st.one_of(
    st.just(Move(Way.NOTHING)),
    st.builds(Move, st.sampled_from([Way.SWEEP, Way.ANY]), spots),
    st.builds(Move, st.just(Way.MARK), spots, st.integers(-12_000, 2_000)),
)
rising = st.lists(st.tuples(st.integers(0, 10**15), st.binary(min_size=1, max_size=9)), max_size=6).map(sorted)


@given(moves)
def test_a_move_is_read_as_it_is_written(move: Move) -> None:
    assert parse_move(str(move)) == move
    assert parse_move(f"  {str(move).upper()} ") == move


@given(st.lists(moves, min_size=1, max_size=5), rising)
def test_a_recording_is_read_as_it_is_written(asked: list[Move], packets: list[tuple[int, bytes]]) -> None:
    parts: list[Part] = [(move, packets if at == len(asked) - 1 else []) for at, move in enumerate(asked)]
    reader = desk_take._Reader(Path("take.txt"))
    for number, line in enumerate(take_text(parts), 1):
        reader.take(number, line)
    assert reader.faults == []
    assert reader.parts == parts


@pytest.mark.parametrize("name", ["control-pair", "osc-travel"])
def test_a_recording_says_what_was_heard_live(name: str, tmp_path: Path) -> None:
    parts = Hand(load_profile(name), 4).everything()
    (tmp_path / "heard.txt").write_text("# a comment\n\n" + "\n".join(take_text(parts)) + "\n")
    [(link, read)] = links_of(tmp_path / "heard.txt")
    assert (link, read) == ("heard", parts)
    assert analyse(read) == analyse(parts)


def test_a_packet_without_a_byte_has_no_line(tmp_path: Path) -> None:
    said = [(0, b""), (1_000_000, b"\xb0\x10\x00"), (2_000_000, b"")]
    path = tmp_path / "heard.txt"
    path.write_text("\n".join(take_text([(Move(Way.SWEEP, Spot(1, 1)), said)])) + "\n")
    assert links_of(path)[0][1] == [(Move(Way.SWEEP, Spot(1, 1)), said[1:2])]


@pytest.mark.parametrize("name", ["control-change", "nrpn", "sysex"])
def test_markers_of_a_midi_file_say_the_moves(name: str, tmp_path: Path) -> None:
    parts = Hand(load_profile(name), 5).everything()
    save(tmp_path / "desk.mid", parts, "desk")
    [(link, read)] = links_of(tmp_path / "desk.mid")
    assert link == "desk"
    assert [move for move, packets in read if packets] == [move for move, packets in parts if packets]
    live, filed = analyse(parts), analyse(read)
    assert live.send is not None and filed.send is not None
    assert (filed.send.placed, filed.send.fitted) == (live.send.placed, live.send.fitted)


@pytest.mark.parametrize(
    ("text", "faults"),
    [
        ("# move: input 1 mix 1\n1.0 B0 10\n0.5 B0 10 00\n", ["3: the time 0.5 s is before the line above, 1 s"]),
        (
            "# move: input 0 mix 1\n# move: inpt 1\nB0 10 00\n1 B0 1\n# move: whole mix 300\n"
            "# move: input 1 mix 1 at soft\n",
            [
                "1: input 0 is outside 1 to 1,024",
                "2: `inpt 1` is not a move",
                "3: `B0 10 00` is not a time",
                "4: `1 B0 1` is not a time",
                "5: mix 300 is outside 1 to 256",
                "6: `soft` is not a level",
                "no move is named",
            ],
        ),
        ("0.1 B0 10 00\n# move: nothing\n", ["no move is named"]),
        ("", ["no move is named"]),
    ],
)
def test_every_fault_of_a_recording_is_told_with_its_line(text: str, faults: list[str], tmp_path: Path) -> None:
    path = tmp_path / "heard.txt"
    path.write_text(text)
    with pytest.raises(FileFaults) as raised:
        links_of(path)
    told = [str(fault).removeprefix(f"{path}:").strip() for fault in raised.value.faults]
    assert len(told) == len(faults)
    assert all(line.startswith(fault) for line, fault in zip(told, faults, strict=True)), told


@pytest.mark.parametrize(("packets", "fits"), [(10, True), (11, False), (500, False)])
def test_a_recording_is_bounded(packets: int, fits: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(desk_take, "MESSAGES_MAX", 10)
    path = tmp_path / "heard.txt"
    path.write_text("# move: input 1 mix 1\n" + "1 B0 10 00\n" * packets)
    if fits:
        assert len(links_of(path)[0][1][0][1]) == packets
    else:
        with pytest.raises(FileFaults, match="more than 10 packets"):
            links_of(path)
    monkeypatch.setattr(desk_take, "TAKE_BYTES_MAX", 20)
    with pytest.raises(FileFaults, match="more than 20 bytes"):
        links_of(path)


def test_a_midi_file_without_moves_is_told(tmp_path: Path) -> None:
    save(tmp_path / "desk.mid", [], "desk")
    with pytest.raises(FileFaults, match="no marker names a move"):
        links_of(tmp_path / "desk.mid")
    save(tmp_path / "odd.mid", [(Move(Way.ANY, Spot(0, 1)), [(0, b"\xb0\x10\x00")])], "desk")
    with pytest.raises(FileFaults, match="the marker at tick 0: input 0 is outside"):
        links_of(tmp_path / "odd.mid")
    with pytest.raises(FileFaults, match="there is no such file"):
        links_of(tmp_path / "none.txt")
