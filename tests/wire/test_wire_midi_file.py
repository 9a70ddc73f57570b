"""Reading Standard MIDI Files: RP-001's examples, mido's and midicsv's readings, and every kind of damage."""

from __future__ import annotations

import csv
import re
import subprocess
from io import BytesIO, StringIO
from itertools import pairwise
from pathlib import Path

import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st
from midi_files import RP001_EXAMPLE, corpus, saved
from needs import needs

from stagectl.wire.midi_file import SIZE_MAX, FileEvent, MidiFile, read_midi_file

END = "00 FF 2F 00"


def chunk(kind: str, body: bytes) -> bytes:
    return kind.encode() + len(body).to_bytes(4, "big") + body


def made(*tracks: str, format_: int = 1, division: int = 96, head: bytes = b"") -> bytes:
    """A file of tracks in hexadecimal."""
    words = (format_, len(tracks), division)
    header = chunk("MThd", b"".join(word.to_bytes(2, "big") for word in words) + head)
    return header + b"".join(chunk("MTrk", bytes.fromhex(track)) for track in tracks)


def ticks(data: bytes) -> list[tuple[int, int]]:
    """Every event's track and tick."""
    return [(at, event.tick) for at, track in enumerate(read_midi_file(data).tracks, 1) for event in track]


def by_midicsv(data: bytes) -> list[tuple[int, int]]:
    """The same as midicsv (Debian) reads it."""
    needs("midicsv")
    done = subprocess.run(["midicsv"], input=data, capture_output=True, check=True, timeout=60)
    rows = csv.reader(StringIO(done.stdout.decode("latin-1")), skipinitialspace=True)
    return [(int(row[0]), int(row[1])) for row in rows if row[2] not in ("Header", "Start_track", "End_of_file")]


def test_the_file_that_rp_001_prints() -> None:
    assert len(RP001_EXAMPLE) == 81
    file = read_midi_file(RP001_EXAMPLE)
    assert (file.format, file.division, len(file.tracks)) == (0, 96, 1)
    assert [(event.tick, event.packet.hex(" ")) for event in file.tracks[0]] == [
        (0, "ff 58 04 02 18 08"),
        (0, "ff 51 07 a1 20"),
        (0, "c0 05"),
        (0, "c1 2e"),
        (0, "c2 46"),
        (0, "92 30 60"),
        (0, "92 3c 60"),
        (96, "91 43 40"),
        (192, "90 4c 20"),
        (384, "82 30 40"),
        (384, "82 3c 40"),
        (384, "81 43 40"),
        (384, "80 4c 40"),
        (384, "ff 2f"),
    ]


# RP-001, the table of variable-length quantities.
@pytest.mark.parametrize(
    ("number", "written"),
    [
        (0, "00"),
        (0x7F, "7F"),
        (0x80, "81 00"),
        (0x2000, "C0 00"),
        (0x3FFF, "FF 7F"),
        (0x4000, "81 80 00"),
        (0x1FFFFF, "FF FF 7F"),
        (0xFFFFFFF, "FF FF FF 7F"),
    ],
)
def test_numbers_of_variable_length(number: int, written: str) -> None:
    assert ticks(made(f"{written} C0 05 {END}")) == [(1, number), (1, number)]


@pytest.mark.parametrize("path", corpus(), ids=lambda path: path.stem)
def test_files_that_music21_comes_with_agree_with_midicsv(path: Path) -> None:
    data = path.read_bytes()
    assert ticks(data) == by_midicsv(data)


@pytest.mark.parametrize("path", corpus(), ids=lambda path: path.stem)
def test_files_that_music21_comes_with_agree_with_mido(path: Path) -> None:
    data = path.read_bytes()
    theirs = [[bytes(message.bytes()) for message in track if not message.is_meta] for track in _mido(data).tracks]
    ours = [[event.packet for event in track if event.packet[0] < 0xF0] for track in read_midi_file(data).tracks]
    assert ours == [[packet for packet in track if packet[0] < 0xF0] for track in theirs]


def _mido(data: bytes) -> mido.MidiFile:
    return mido.MidiFile(file=BytesIO(data))


SEVEN = st.integers(0, 127)
EVENTS = st.one_of(
    st.builds(lambda note, value: mido.Message("note_on", note=note, velocity=value), SEVEN, SEVEN),
    st.builds(lambda note, value: mido.Message("control_change", control=note, value=value), SEVEN, SEVEN),
    st.builds(lambda value, at: mido.Message("program_change", program=value, channel=at), SEVEN, st.integers(0, 15)),
    st.builds(lambda value: mido.Message("pitchwheel", pitch=value), st.integers(-8192, 8191)),
    st.builds(lambda data: mido.Message("sysex", data=data), st.lists(SEVEN, max_size=200)),
    st.builds(lambda text: mido.MetaMessage("text", text=text), st.text("abc äö", max_size=200)),
    st.builds(lambda value: mido.MetaMessage("set_tempo", tempo=value), st.integers(0, 2**24 - 1)),
)


@given(st.lists(st.lists(st.tuples(st.integers(0, 3_000_000), EVENTS), max_size=12), min_size=1, max_size=3))
def test_what_mido_writes_is_read(tracks: list[list[tuple[int, mido.Message]]]) -> None:
    """With running status wherever that can be."""
    tracks = [sorted(track, key=lambda event: event[0]) for track in tracks]
    file = read_midi_file(saved(*tracks, per_quarter=960))
    assert file.division == 960
    for ours, theirs in zip(file.tracks, tracks, strict=True):
        assert [event.tick for event in ours[:-1]] == [tick for tick, _ in theirs]
        for event, (_, message) in zip(ours, theirs, strict=False):
            assert event.packet == _written(message)
        assert ours[-1].packet == b"\xff\x2f"


def _written(message: mido.Message) -> bytes:
    """The message without the length that a file puts before data."""
    whole = bytes(message.bytes())
    if message.type == "set_tempo":
        return whole[:2] + whole[3:]
    return whole[:2] + message.text.encode("latin-1") if message.type == "text" else whole


def test_a_meta_event_that_nobody_knows_keeps_its_time() -> None:
    data = made(f"60 FF 0A 01 41 60 FF 51 03 06 1A 80 10 FF 4B 00 10 FF 60 80 00 {END}")
    assert ticks(data) == by_midicsv(data) == [(1, 96), (1, 192), (1, 208), (1, 224), (1, 224)]


def test_chunks_that_nobody_knows_are_skipped() -> None:
    # RP-001: programs should expect alien chunks, and a header may be longer than 6 bytes.
    header, track = made(head=b"more")[:18], made(f"60 C0 05 {END}")[14:]
    data = header[:10] + b"\0\1" + header[12:] + chunk("XFIH", b"\xff" * 30) + track + chunk("junk", b"") + b"\0tail"
    assert ticks(data) == [(1, 96), (1, 96)]


def test_running_status_goes_on_after_a_meta_event_and_not_after_sysex() -> None:
    data = made(f"00 90 3C 40 10 3E 40 00 FF 01 01 41 10 40 40 {END}")
    assert [event.packet[:2].hex() for event in read_midi_file(data).tracks[0]] == [
        "903c",
        "903e",
        "ff01",
        "9040",
        "ff2f",
    ]
    with pytest.raises(ValueError, match="no status before them"):
        read_midi_file(made(f"00 90 3C 40 00 F0 02 7D F7 10 3E 40 {END}"))


def test_frames_of_a_second_are_no_division() -> None:
    # RP-001: a division with bit 15 set counts in frames, E7 28 for milliseconds (25 frames of 40 ticks).
    assert read_midi_file(made(END, division=0xE728)).division is None
    assert read_midi_file(made(END, division=0x7FFF)).division == 0x7FFF


def test_what_follows_the_end_of_a_track_is_left_alone() -> None:
    assert read_midi_file(made(f"{END} FF FF FF FF FF")).tracks == ((FileEvent(0, b"\xff\x2f"),),)


# -- damage -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "it is empty"),
        (b"MThd", "it is cut short: a chunk `MThd` is not whole"),
        (b"title: a setlist", "it is no Standard MIDI File: it does not begin with `MThd`"),
        (b"RIFF" + RP001_EXAMPLE, "it is no Standard MIDI File: it does not begin with `MThd`"),
        (chunk("MThd", b"\0\1\0\0"), "it is damaged: its header has 4 bytes, and not 6"),
        (made(END, format_=3), "it is of format 3; formats 0 to 2 are known"),
        (made(END, division=0), "it is damaged: a quarter note has no ticks"),
        (made(END, END)[:-12], "it is cut short: of its 2 tracks 1 are there"),
        (made(END)[:-1], "it is cut short: a chunk `MTrk` is not whole"),
        (made("00"), "track 1 is damaged at byte 1: it ends within an event"),
        (made(END, "00 FF"), "track 2 is damaged at byte 2: it ends within an event"),
        (made("00 FF 01 05 41 42"), "track 1 is damaged at byte 4: it ends within an event"),
        (made("00 90 3C"), "track 1 is damaged at byte 2: it ends within an event"),
        (made("00 3C 40"), "track 1 is damaged at byte 1: data bytes with no status before them"),
        (made("00 90 3C 80 00"), "track 1 is damaged at byte 4: a status byte within an event"),
        (made("00 F4 00 00"), "track 1 is damaged at byte 2: F4 is no event"),
        (made("00 F8"), "track 1 is damaged at byte 2: F8 is no event"),
        (made("81 80 80 80 00 C0 05"), "track 1 is damaged at byte 4: a number of more than 4 bytes"),
        (made("FF" * 10_000), "track 1 is damaged at byte 4: a number of more than 4 bytes"),
    ],
)
def test_damage_is_said_in_a_sentence(data: bytes, says: str) -> None:
    with pytest.raises(ValueError, match=f"^{re.escape(says)}$"):
        read_midi_file(data)


def test_a_file_has_a_bound() -> None:
    """At, over and far over: the longest one that is read is one event after another."""
    text = bytes.fromhex("00 FF 01 3C") + bytes(60)
    body = text * ((SIZE_MAX - 22) // len(text))
    data = made("")[:14] + chunk("MTrk", body)
    data += bytes(SIZE_MAX - len(data))
    assert len(read_midi_file(data).tracks[0]) == len(body) // len(text)
    for longer in (data + b"\0", data * 20):
        with pytest.raises(ValueError, match=r"^it is longer than 1,048,576 bytes$"):
            read_midi_file(longer)


@pytest.mark.parametrize("length", range(len(RP001_EXAMPLE)))
def test_a_file_that_is_cut_anywhere_is_refused(length: int) -> None:
    with pytest.raises(ValueError):
        read_midi_file(RP001_EXAMPLE[:length])


def _tried(data: bytes) -> MidiFile | str:
    """The file, or what is wrong."""
    try:
        return read_midi_file(data)
    except ValueError as error:
        return str(error)


def _is_sound(tried: MidiFile | str) -> bool:
    """A sentence; or tracks whose events are in order."""
    if isinstance(tried, str):
        return tried.isprintable() and 10 < len(tried) < 200
    return all(one.tick <= then.tick for track in tried.tracks for one, then in pairwise(track))


@given(st.lists(st.tuples(st.integers(0, 10_000), st.integers(0, 255)), min_size=1, max_size=8), st.data())
def test_a_file_with_wrong_bytes_is_read_or_refused(hits: list[tuple[int, int]], data: st.DataObject) -> None:
    good = data.draw(st.sampled_from([RP001_EXAMPLE, *(path.read_bytes() for path in corpus()[:6])]))
    damaged = bytearray(good)
    for at, byte in hits:
        damaged[at % len(damaged)] = byte
    assert _is_sound(_tried(bytes(damaged)))


@given(st.binary(max_size=300))
def test_any_bytes_are_read_or_refused(body: bytes) -> None:
    for data in (body, made("")[:14] + chunk("MTrk", body), b"MThd" + body):
        assert _is_sound(_tried(data))
