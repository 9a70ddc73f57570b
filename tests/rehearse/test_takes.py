"""Pedal takes: Standard MIDI Files, judged by `midicsv` and by the worked example of the specification."""

from __future__ import annotations

import csv
import shutil
import subprocess
from contextlib import suppress
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from needs import needs

from stagectl.core.events import Moved, Unmapped
from stagectl.errors import FileFaults
from stagectl.rehearse.room import Timed
from stagectl.rehearse.take import read_take
from stagectl.show.load import Show, load_show

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "setlists" / "nine-songs"
CONTROLS = {"drum pedal": {80: 0, 81: 1}, "vocal pedal": {82: 0, 11: 1}}

RP001_FORMAT_0 = bytes.fromhex(
    "4D546864000000060000000100604D54726B0000003B00FF58040402180800FF510307A12000C00500C12E00C24600923060003C6060"
    "91434060904C208140823040003C40008143400080 4C4000FF2F00".replace(" ", "")
)
"""Standard MIDI Files 1.0 (RP-001), the example file in format 0: notes begin at ticks 0, 96 and 192 of 96 a quarter
note, at 500,000 µs a quarter note."""


@pytest.fixture(scope="module")
def show() -> Show:
    return load_show(DEMO)


def judged(take: Path) -> list[tuple[Fraction, str, int, int]]:
    """Seconds, pedal, controller and value of every control change, as `midicsv` reads the file."""
    rows = list(
        csv.reader(subprocess.run(["midicsv", take], capture_output=True, text=True, check=True).stdout.splitlines())
    )
    cells = [[cell.strip() for cell in row] for row in rows]
    quarter = int(next(row[5] for row in cells if row[2] == "Header"))
    names = {row[0]: row[3].strip('"') for row in cells if row[2] == "Title_t"}
    tempos = sorted((int(row[1]), int(row[3])) for row in cells if row[2] == "Tempo")
    found = []
    for row in cells:
        if row[2] == "Control_c":
            at = seconds(int(row[1]), tempos, quarter)
            found.append((at, names[row[0]], int(row[4]), int(row[5])))
    return sorted(found)


def seconds(tick: int, tempos: list[tuple[int, int]], quarter: int) -> Fraction:
    """The time of a tick: each stretch at its own tempo."""
    total = Fraction(0)
    for (at, tempo), (end, _) in zip([(0, 500_000), *tempos], [*tempos, (tick, 0)], strict=True):
        total += Fraction(max(0, min(end, tick) - at) * tempo, quarter * 1_000_000)
    return total


def as_judged(events: list[Timed], show: Show) -> list[tuple[int, str, int, int]]:
    names = [pedal.name for pedal in show.rig.pedals]
    out = []
    for at, event in events:
        assert isinstance(event, Moved)
        pedal = names[event.pedal]
        number = next(cc for cc, control in CONTROLS[pedal].items() if control == event.control)
        out.append((at, pedal, number, event.value))
    return sorted(out)


@pytest.mark.ports
def test_the_demo_take_reads_as_midicsv_reads_it(show: Show) -> None:
    needs("midicsv")
    rows = judged(DEMO / "take.mid")
    expected = [(int(at * 10**9), pedal, control, value) for at, pedal, control, value in rows]
    assert as_judged(read_take(DEMO / "take.mid", show), show) == expected


@pytest.mark.ports
@given(
    quarter=st.integers(1, 960),
    tempos=st.lists(st.tuples(st.integers(0, 4_000), st.integers(10_000, 2_000_000)), max_size=5),
    presses=st.lists(st.tuples(st.integers(0, 5_000), st.sampled_from([80, 81]), st.integers(0, 127)), max_size=20),
)
def test_any_take_reads_as_midicsv_reads_it(
    show: Show,
    tmp_path_factory: pytest.TempPathFactory,
    quarter: int,
    tempos: list[tuple[int, int]],
    presses: list[tuple[int, int, int]],
) -> None:
    import mido

    needs("midicsv")
    file = mido.MidiFile(type=1, ticks_per_beat=quarter)
    beat, feet = mido.MidiTrack(), mido.MidiTrack([mido.MetaMessage("track_name", name="drum pedal")])
    last = 0
    for tick, tempo in sorted(dict(tempos).items()):
        beat.append(mido.MetaMessage("set_tempo", tempo=tempo, time=tick - last))
        last = tick
    last = 0
    for tick, control, value in sorted(presses):
        feet.append(mido.Message("control_change", control=control, value=value, time=tick - last))
        last = tick
    file.tracks += [beat, feet]
    path = tmp_path_factory.mktemp("takes") / "take.mid"
    file.save(path)
    expected = [(int(at * 10**9), pedal, control, value) for at, pedal, control, value in judged(path)]
    assert as_judged(read_take(path, show), show) == expected


def test_the_worked_example_of_the_specification(tmp_path: Path) -> None:
    show = one_pedal(tmp_path)
    path = tmp_path / "example.mid"
    path.write_bytes(RP001_FORMAT_0)
    downs = [at for at, event in read_take(path, show) if isinstance(event, Moved) and event.value]
    # Notes 48 and 60 are the switch; 67 and 76 are no control of this pedal.
    assert downs == [0, 0]
    others = [at for at, event in read_take(path, show) if isinstance(event, Unmapped)]
    assert {500_000_000, 1_000_000_000} <= set(others)


def one_pedal(folder: Path) -> Show:
    """The demo with one pedal whose switches send the notes 48 and 60."""
    copy = folder / "one"
    shutil.copytree(DEMO, copy)
    (copy / "notes.yaml").write_text(
        "name: notes\ncontrols:\n  low: {sends: {note: 48}, press: next}\n  high: {sends: {note: 60}, press: back}\n"
    )
    rig = (copy / "rig.yaml").read_text()
    before, _, after = rig.partition("pedals:")
    pedal = "pedals:\n  - {name: foot, port: foot, mapping: notes}\n"
    (copy / "rig.yaml").write_text(before + pedal + after[after.index("\nplayers:") :])
    return load_show(copy)


BROKEN = {
    "empty": b"",
    "not MIDI": b"RIFF" + bytes(100),
    "cut in the head": RP001_FORMAT_0[:10],
    "cut in a track": RP001_FORMAT_0[:40],
    "a track longer than the file": RP001_FORMAT_0[:21] + b"\x7f" + RP001_FORMAT_0[22:],
    "format 2": RP001_FORMAT_0[:9] + b"\x02" + RP001_FORMAT_0[10:],
    "frames of a second": RP001_FORMAT_0[:12] + b"\xe7\x28" + RP001_FORMAT_0[14:],
    # FF 59 02: of the keys there are from seven flats to seven sharps.
    "a key of 127 sharps": RP001_FORMAT_0[:23] + b"\xff\x59\x02\x7f\x00\x00\xff\x2f" + RP001_FORMAT_0[31:],
    "no ticks at all": RP001_FORMAT_0[:12] + b"\x00\x00" + RP001_FORMAT_0[14:],
}


@pytest.mark.parametrize("what", BROKEN)
def test_a_broken_take_is_a_fault_of_the_file(what: str, show: Show, tmp_path: Path) -> None:
    path = tmp_path / "broken.mid"
    path.write_bytes(BROKEN[what])
    with pytest.raises(FileFaults, match=r"broken\.mid"):
        read_take(path, show)


@given(st.binary(max_size=60), st.integers(0, 80))
def test_no_bytes_raise_anything_else(
    show: Show, tmp_path_factory: pytest.TempPathFactory, noise: bytes, at: int
) -> None:
    path = tmp_path_factory.mktemp("noise") / "noise.mid"
    path.write_bytes(RP001_FORMAT_0[:at] + noise + RP001_FORMAT_0[at + len(noise) :])
    with suppress(FileFaults):
        read_take(path, show)


def test_a_track_that_is_named_after_no_pedal(show: Show, tmp_path: Path) -> None:
    import mido

    file = mido.MidiFile()
    file.tracks.append(mido.MidiTrack([mido.MetaMessage("track_name", name="drum pedel"), mido.Message("note_on")]))
    file.save(tmp_path / "odd.mid")
    with pytest.raises(FileFaults, match=r"`drum pedel` is named after no pedal; did you mean `drum pedal`\?"):
        read_take(tmp_path / "odd.mid", show)
