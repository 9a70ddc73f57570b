"""Lamps as a mapping file says them: the bytes of each value, how far apart they are, and songs that do not fit."""

from __future__ import annotations

from pathlib import Path

import mido
from demo_copies import Copy

from stagectl.core.feet import LAMP_GAP_NS, Lamp
from stagectl.core.lamps import SHOWS
from stagectl.show.compile import Compiled, compile_show
from stagectl.show.load import load_show
from stagectl.where import shipped

MAPPING = "four-switches-with-lamps.yaml"
KEYS_PEDAL = 2


def compiled(folder: Path) -> Compiled:
    return compile_show(load_show(folder))


def test_each_value_of_each_lamp_has_its_bytes() -> None:
    """Judged by mido, which reads MIDI by itself."""
    found = compiled(shipped("setlists") / "nine-songs")
    number, running, refused, desk, hushed = (
        [mido.parse_all(b"".join(packets)) for packets in lamp] for lamp in found.lamps[KEYS_PEDAL]
    )
    songs = max(stop.song for stop in found.plan.stops) + 1
    assert number == [[mido.Message("program_change", program=song)] for song in range(songs + 1)]
    for control, lamp in ((110, running), (111, refused), (112, desk), (113, hushed)):
        assert lamp == [[mido.Message("control_change", control=control, value=value)] for value in (0, 127)]
    assert found.lamps[:KEYS_PEDAL] == ((), ())


def test_the_demo_shows_every_kind_once() -> None:
    pedal = compiled(shipped("setlists") / "nine-songs").plan.pedals[KEYS_PEDAL]
    assert [lamp.shows for lamp in pedal.lamps] == list(SHOWS)
    assert {lamp.gap_ns for lamp in pedal.lamps} == {LAMP_GAP_NS}


def test_long_messages_are_as_far_apart_as_a_din_cable_needs(tmp_path: Path) -> None:
    """MIDI 1.0: 31,250 baud and ten bits a byte are 320 µs a byte; a text of 100 bytes for `on` takes 32 ms."""
    copy = Copy(tmp_path, "nine-songs")
    text = "F0 7D " + "41 " * 97 + "F7"
    copy.plant(MAPPING, "    on: {control change: 111, value: 127, channel: 1}", f"    on: {{sysex: {text}}}")
    copy.plant(MAPPING, "    lasts: 1 s", "    lasts: 2.5 s")
    lamps = compiled(copy.folder).plan.pedals[KEYS_PEDAL].lamps
    assert lamps[2] == Lamp(shows="refused", lasts_ns=2_500_000_000, gap_ns=100 * 320_000)


def test_a_song_whose_number_cannot_be_said_is_a_fault(tmp_path: Path) -> None:
    """Programs go to 127 (MIDI 1.0)."""
    copy = Copy(tmp_path, "nine-songs")
    text = (copy.folder / "setlist.yaml").read_text("utf-8")
    for songs in (127, 128):
        names = "".join(f"  - name: song {at}\n" for at in range(1, songs + 1))
        (copy.folder / "setlist.yaml").write_text(text[: text.index("songs:\n")] + "songs:\n" + names, "utf-8")
        line = (copy.folder / MAPPING).read_text("utf-8").splitlines().index("    say: {program: song, channel: 1}") + 1
        says = "song 128 of 128 cannot be shown: program 128 is outside 0 to 127"
        assert copy.faults() == ([] if songs == 127 else [(MAPPING, line, says)])


def test_over_osc_the_number_is_an_argument(tmp_path: Path) -> None:
    copy = Copy(tmp_path, "three-songs")
    lamp = "lamps:\n  - {shows: song number, say: {osc: /song, arguments: [song, of 3]}}\n"
    path = copy.folder / "osc-buttons.yaml"
    path.write_text(path.read_text("utf-8") + lamp, "utf-8")
    copy.plant("rig.yaml", "    mapping: osc-buttons\n", "    mapping: osc-buttons\n    lamps host: 127.0.0.1:9100\n")
    shown = compiled(copy.folder).lamps[0][0]
    # OSC 1.0: address and type tags padded to four bytes, then the number in four bytes, big end first, then the text.
    assert shown == tuple(
        (b"/song\0\0\0,is\0" + bytes((0, 0, 0, song)) + b"of 3\0\0\0\0",) for song in range(len(shown))
    )
    assert len(shown) == 4
