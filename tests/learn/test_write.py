"""The mapping files that come of it: the loader reads them, and they rehearse as the feet moved."""

from __future__ import annotations

import os
import re
import shutil
import stat
from pathlib import Path
from random import Random

import pytest
from feet import MS, Foot, save
from hypothesis import given
from hypothesis import strategies as st

from stagectl.core.actions import Recall
from stagectl.core.events import Moved, Wanted
from stagectl.core.gestures import Gesture
from stagectl.errors import FileFaults
from stagectl.learn.analyse import analyse
from stagectl.learn.series import Packet, Sender
from stagectl.learn.take import pedals_of
from stagectl.learn.verdict import Learned
from stagectl.learn.write import bounce_ms, default_names, file_name, mapping_text, quoted, write_whole
from stagectl.pedals.hear import MidiEar
from stagectl.rehearse.room import Moment, Room
from stagectl.rehearse.take import read_take
from stagectl.show.compile import compile_show
from stagectl.show.control_fit import control_faults
from stagectl.show.load import Show, load_show
from stagectl.show.mapping import MappingModel
from stagectl.show.overlap import overlaps
from stagectl.show.source import Source
from stagectl.show.yamltext import read_text
from stagectl.story.rows import Row

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "setlists" / "nine-songs"


def written(learned: Learned, name: str = "foot") -> str:
    return mapping_text(name, "foot:out", learned, default_names(learned.verdicts))


def loaded(text: str) -> MappingModel:
    read = read_text(text.encode(), "foot.yaml")
    assert not read.faults, (read.faults, text)
    return MappingModel.model_validate(read.data)


# -- what is written --------------------------------------------------------------------------------------

EVERYTHING: list[Packet] = []
_foot = Foot(Random(1))
for _at, _packets in enumerate(
    (
        _foot.control(80, _foot.momentary(3)),
        _foot.control(81, _foot.momentary(3, on=0, off=127)),
        _foot.control(82, _foot.latching(3)),
        _foot.control(83, _foot.pad(4)),
        _foot.control(84, _foot.latching(1)),
        _foot.note(40, _foot.pad(4)),
        _foot.control(11, _foot.treadle(4, 3, 124, 1)),
        _foot.pair(4, _foot.treadle(4, 100, 16_000, 40)),
        _foot.bend(_foot.treadle(4, 0, 16_383)),
        [(_one * 1_000 * MS, b"\xd0" + bytes((_value,))) for _one, _value in enumerate((90, 0) * 3)],
        [(_one * 1_000 * MS, b"\xa0\x24" + bytes((_value,))) for _one, _value in enumerate((90, 0) * 3)],
        [(_one * 1_000 * MS, b"\xb0\x55\x7f") for _one in range(4)],
        [(_one * 1_000 * MS, b"\xb5\x00\x01") for _one in (0, 1)] + [(1_001 * MS, b"\xc5\x07")],
        [(_one * 1_000 * MS, packet) for _one, packet in enumerate((b"\xfa", b"\xf3\x05", b"\xf0\x7d\x01\xf7"))],
        [
            (_one * 40 * MS + _step * MS, bytes((0xB3, _number, _value)))
            for _one in range(60)
            for _step, (_number, _value) in enumerate(((99, 10), (98, 8), (6, abs(30 - _one % 60) * 4), (38, 0)))
        ],
    )
):
    EVERYTHING += [(_at * 100_000 * MS + at, packet) for at, packet in _packets]


def test_whatever_was_heard_passes_the_checks_of_a_show(tmp_path: Path) -> None:
    learned = analyse(EVERYTHING)
    show = one_pedal(tmp_path, written(learned))
    assert compile_show(show).plan.pedals[0].name == "foot"
    mapping = show.mappings["foot"]
    assert list(mapping.controls) == list(default_names(learned.verdicts).values())
    assert {
        "note",
        "control change",
        "control change pair",
        "program",
        "pitch bend",
        "channel pressure",
        "key pressure",
        "nrpn",
        "realtime",
        "song select",
        "sysex",
    } == {one.sender.kind for one in learned.verdicts}


@given(st.lists(st.tuples(st.integers(0, 10_000), st.binary(min_size=1, max_size=4)), max_size=60))
def test_any_bytes_load_as_long_as_a_control_speaks(said: list[tuple[int, bytes]]) -> None:
    check_any(said)


controllers = st.tuples(
    st.just(0xB0), st.sampled_from([0, 32, 6, 38, 96, 98, 99, 100, 101, 4, 36]), st.sampled_from([0, 1, 64, 127])
)
programs = st.tuples(st.just(0xC0), st.integers(0, 2))


@given(st.lists(st.tuples(st.integers(0, 40), st.one_of(controllers, programs).map(bytes)), max_size=40))
def test_banks_pairs_and_parameters_never_overlap(said: list[tuple[int, bytes]]) -> None:
    check_any(said)


sysex = st.lists(st.sampled_from([0, 1, 2, 64, 127]), min_size=2, max_size=3).map(lambda data: (0xF0, *data, 0xF7))


@given(st.lists(st.tuples(st.integers(0, 4), sysex.map(bytes)), max_size=40))
def test_each_sysex_message_is_heard_by_one_control(said: list[tuple[int, bytes]]) -> None:
    learned = check_any([(at * 120, packet) for at, packet in said])
    if learned.verdicts:
        ear = MidiEar(0, loaded(written(learned)))
        assert all(isinstance(event, Moved) for _, packet in said for event in ear.hear(packet))


def check_any(said: list[tuple[int, bytes]]) -> Learned:
    """What was heard is written as a file without a fault."""
    learned = analyse([(at * MS, packet) for at, packet in sorted(said)])
    if learned.verdicts:
        text = written(learned)
        mapping = loaded(text)
        assert len(mapping.controls) == min(64, len(learned.verdicts))
        source = Source(path=Path("foot.yaml"), text=read_text(text.encode(), "foot.yaml"))
        assert list(control_faults(mapping, source)) == []
        assert list(overlaps([control.sends for control in mapping.controls.values()])) == []
    return learned


@given(st.text(min_size=1, max_size=20).filter(str.strip), st.text(max_size=20))
def test_any_name_is_read_back(name: str, port: str) -> None:
    learned = analyse([(0, b"\xc0\x01")])
    clean = "".join(char for char in name if char.isprintable()).strip() or "x"
    sender = learned.verdicts[0].sender
    mapping = loaded(mapping_text(clean, port, learned, {sender: clean}))
    import unicodedata

    assert mapping.name == unicodedata.normalize("NFC", clean)
    assert list(mapping.controls) == [mapping.name]


def test_more_controls_than_a_mapping_holds_are_said_and_left_out() -> None:
    packets = [(note * 1_000 * MS, bytes((0x90, note, 100))) for note in range(70)]
    text = written(analyse(packets))
    assert "6 controls more spoke" in text
    assert len(loaded(text).controls) == 64


KEYS = ("latching", "says up", "rests", "threshold", "bounce", "heel", "toe", "jitter", "dead zone")


@pytest.mark.parametrize(
    ("packets", "lines"),
    [
        (Foot(Random(2)).control(80, Foot(Random(2)).latching(3)), ["latching: yes"]),
        (Foot(Random(2)).control(80, Foot(Random(2)).momentary(3, on=0, off=127)), ["rests: closed"]),
        (Foot(Random(2)).control(80, Foot(Random(2)).momentary(3, on=40)), ["threshold: 20"]),
        (
            Foot(Random(2)).control(11, Foot(Random(2)).treadle(4, 3, 124, 1)),
            ["# heel: 3", "# toe: 124", "# jitter: 2"],
        ),
        (Foot(Random(2)).control(80, Foot(Random(2)).momentary(3)), []),
        ([(at * 1_000 * MS, bytes((0x90, 40, 90 - at))) for at in range(3)], ["says up: no"]),
    ],
)
def test_the_keys_of_each_kind(packets: list[Packet], lines: list[str]) -> None:
    text = written(analyse(packets))
    said = [line.strip() for line in text.splitlines() if re.match(r" *(# )?[a-z ]+: ", line)]
    keys = [line for line in said if line.lstrip("# ").partition(":")[0] in KEYS]
    assert keys == lines, text


@pytest.mark.parametrize(("gap", "window"), [(0, 0), (1, 5), (4, 5), (8, 10), (16, 20), (17, 25), (30, 40)])
def test_the_window_bridges_the_longest_gap(gap: int, window: int) -> None:
    assert bounce_ms(gap * MS) == window


def test_a_toe_at_the_lowest_value() -> None:
    learned = analyse(Foot(Random(3)).control(11, Foot(Random(3)).treadle(4, 3, 124)))
    turned = learned.verdicts[0].turned()
    assert (turned.heel, turned.toe) == (124, 3)


def test_names_of_files() -> None:
    assert file_name("Drum Pedal: 1/2") == "drum-pedal-1-2.yaml"
    assert file_name("...") == "pedal.yaml"
    assert len(file_name("x" * 300)) < 80
    assert (quoted("switch 1"), quoted("off"), quoted("it's: x")) == ("switch 1", "'off'", "'it''s: x'")


# -- whole or not at all ----------------------------------------------------------------------------------


def test_a_file_is_written_whole_or_not_at_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "foot.yaml"
    path.write_text("before")

    def fails(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", fails)
    with pytest.raises(FileFaults, match="No space left"):
        write_whole(path, "after")
    assert path.read_text() == "before"
    assert [one.name for one in tmp_path.iterdir()] == ["foot.yaml"]
    monkeypatch.undo()
    write_whole(path, "after")
    assert path.read_text() == "after"
    assert stat.S_IMODE(path.stat().st_mode) & 0o400


# -- takes that rehearse right ----------------------------------------------------------------------------


def one_pedal(folder: Path, mapping: str) -> Show:
    """The demo with one pedal of the singer, and no settle time."""
    copy = folder / "show"
    shutil.copytree(DEMO, copy)
    (copy / "foot.yaml").write_text(mapping)
    rig = (copy / "rig.yaml").read_text()
    before, _, after = rig.partition("pedals:")
    pedal = "pedals:\n  - {name: foot, port: foot, mapping: foot, listener: singer}\n"
    (copy / "rig.yaml").write_text(before + pedal + after[after.index("\nplayers:") :] + "\nlimits: {settle time: 0}\n")
    return load_show(copy)


def rehearsed(folder: Path, take: Path) -> tuple[Show, Room, list[Moment]]:
    """Learn from the take, take the # from the first gesture of each control, and play the take on it."""
    (name, packets) = pedals_of(take)[0]
    text = written(analyse(packets), name)
    text = text.replace("# press: next", "press: {nudge: own, by: -0.5}")
    for key in ("turn", "heel", "toe", "jitter", "dead zone"):
        text = text.replace(f"# {key}:", f"{key}:")
    show = one_pedal(folder, text)
    room = Room(show, compile_show(show))
    return show, room, list(room.play(read_take(take, show)))


def presses(moments: list[Moment]) -> int:
    """The presses that fired, by the story."""
    return sum(isinstance(one, Row) and one.gesture == Gesture.PRESS.value for one in moments)


PRESSES = 7


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("kind", ["momentary", "closed", "latching", "pad"])
def test_as_many_presses_fire_as_the_foot_made(tmp_path: Path, kind: str, seed: int) -> None:
    foot = Foot(Random(seed))
    moves = {
        "momentary": lambda: foot.momentary(PRESSES),
        "closed": lambda: foot.momentary(PRESSES, on=0, off=127),
        "latching": lambda: foot.latching(PRESSES),
        "pad": lambda: foot.pad(PRESSES),
    }[kind]()
    save(tmp_path / "take.mid", foot=foot.control(80, moves))
    _, _, moments = rehearsed(tmp_path, tmp_path / "take.mid")
    assert presses(moments) == PRESSES


@pytest.mark.parametrize("seed", range(4))
def test_a_pad_that_sends_notes_fires_however_softly_it_is_hit(tmp_path: Path, seed: int) -> None:
    foot = Foot(Random(seed))
    save(tmp_path / "take.mid", foot=foot.note(40, foot.pad(PRESSES)))
    assert presses(rehearsed(tmp_path, tmp_path / "take.mid")[2]) == PRESSES


@pytest.mark.parametrize("gap_ms", [17, 22, 29])
def test_a_contact_that_bounces_slowly_gets_a_window_of_its_own(tmp_path: Path, gap_ms: int) -> None:
    moves = []
    for press in range(PRESSES):
        down, up = (press * 1_500 + 500) * MS, (press * 1_500 + 800) * MS
        for at, value in ((down, 127), (up, 0)):
            moves += [(at, value), (at + gap_ms * MS, 127 - value), (at + 2 * gap_ms * MS, value)]
    save(tmp_path / "take.mid", foot=Foot(Random(1)).control(80, moves))
    show, _, moments = rehearsed(tmp_path, tmp_path / "take.mid")
    assert show.mappings["foot"].controls["switch 1"].bounce > gap_ms * MS
    assert presses(moments) == PRESSES


@pytest.mark.parametrize("seed", range(4))
def test_the_treadle_reaches_both_ends_of_its_ride(tmp_path: Path, seed: int) -> None:
    foot = Foot(Random(seed))
    save(tmp_path / "take.mid", foot=foot.control(11, foot.treadle(5, 4, 121, 1)))
    show, room, moments = rehearsed(tmp_path, tmp_path / "take.mid")
    singer, width = 0, room.plan.width
    own = singer * width + (room.plan.own[singer] or 0)
    base = room.plan.bounded[0][own]
    assert isinstance(base, int)
    assert show.rig.listeners[singer].name == "singer"
    room.state = Room(show, compile_show(show)).state
    room.do(Wanted(action=Recall(), who="page", listener=None), 0)
    asked: set[object] = set()
    for timed in read_take(tmp_path / "take.mid", show):
        room.do(timed.event, timed.at)
        asked.add(room.state.rides.get(own))
    assert {-600, 300} <= asked
    assert moments


def test_the_take_is_learned_as_it_was_made(tmp_path: Path) -> None:
    """Two tracks, two pedals; a track with no name has the file's."""
    foot = Foot(Random(9))
    save(tmp_path / "night.mid", left=foot.control(80, foot.momentary(3)), right=foot.note(4, foot.pad(3)))
    assert [name for name, _ in pedals_of(tmp_path / "night.mid")] == ["left", "right"]
    assert analyse(pedals_of(tmp_path / "night.mid")[1][1]).verdicts[0].sender == Sender("note", 1, 4)
