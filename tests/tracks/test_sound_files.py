"""Sound files, good and bad. Judges from outside: Python's own `wave` reads and writes RIFF WAVE; the CRC-16 that every
FLAC frame carries (RFC 9639, 9.3) finds damage; libsndfile writes the other sorts."""

from __future__ import annotations

import os
import struct
import subprocess
import sys
import wave
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from stagectl.tracks.sound.files import CHANNELS_MAX, TRACK_MAX_S, BadSound, blocks, facts, opened

NOISE = np.random.default_rng(4).uniform(-0.5, 0.5, (3_000, 2)).astype(np.float32)


def read(path: str) -> NDArray[np.float32]:
    """All samples, as the player gets them."""
    with opened(path) as (told, file):
        return np.concatenate(list(blocks(path, told, file)))


def wav_head(frames: int, rate: int = 48_000, channels: int = 2) -> bytes:
    """The header of a 16-bit WAV file that says it has so many frames."""
    size = frames * channels * 2
    fmt = struct.pack("<4sIHHIIHH", b"fmt ", 16, 1, channels, rate, rate * channels * 2, channels * 2, 16)
    return struct.pack("<4sI4s", b"RIFF", 36 + size, b"WAVE") + fmt + struct.pack("<4sI", b"data", size)


def sparse(path: Path, seconds: int, rate: int = 8_000, channels: int = 1) -> None:
    """Silence of any length, which takes no room on the disk."""
    path.write_bytes(wav_head(seconds * rate, rate, channels))
    os.truncate(path, 44 + seconds * rate * channels * 2)


# -- good ones ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("format_", "subtype", "error"),
    [
        ("WAV", "PCM_U8", 2**-7),
        ("WAV", "PCM_16", 2**-15),
        ("WAV", "PCM_24", 2**-23),
        ("WAV", "PCM_32", 2**-24),
        ("WAV", "FLOAT", 0),
        ("WAV", "DOUBLE", 0),
        ("WAVEX", "PCM_24", 2**-23),
        ("RF64", "PCM_24", 2**-23),
        ("RF64", "FLOAT", 0),
        ("FLAC", "PCM_16", 2**-15),
        ("FLAC", "PCM_24", 2**-23),
    ],
)
@pytest.mark.parametrize("channels", [1, 2, CHANNELS_MAX])
@pytest.mark.parametrize("rate", [8_000, 44_100, 48_000, 192_000])
def test_every_sort_is_read(tmp_path: Path, format_: str, subtype: str, error: float, channels: int, rate: int) -> None:
    samples = np.resize(NOISE, (3_000, channels))
    path = str(tmp_path / "any name")
    soundfile.write(path, samples, rate, format=format_, subtype=subtype)
    told = facts(path, through=True)
    assert told == (rate, channels, 3_000, f"{format_} {subtype}")
    assert told.length == 3_000 * 10**9 // rate
    assert np.abs(read(path) - samples).max() <= error


@pytest.mark.parametrize("width", [1, 2, 3, 4])
def test_what_another_library_wrote_says_the_same(tmp_path: Path, width: int) -> None:
    path = str(tmp_path / "a.wav")
    with wave.open(path, "wb") as out:
        out.setparams((2, width, 44_100, 0, "NONE", ""))
        out.writeframes(bytes(range(240)) * width)
    with wave.open(path) as judge:
        assert facts(path)[:3] == (judge.getframerate(), judge.getnchannels(), judge.getnframes())


def test_big_endian_and_chunks_in_front(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, NOISE, 48_000, subtype="PCM_16", endian="BIG", format="WAV")
    assert path.read_bytes()[:4] == b"RIFX"
    assert facts(str(path)).frames == 3_000
    soundfile.write(path, NOISE, 48_000, subtype="PCM_16")
    data = path.read_bytes()
    # A chunk of odd size, with its filling; the size of the whole is not looked at by anybody.
    data = data[:12] + struct.pack("<4sI3sx", b"note", 3, b"abc") + data[12:]
    path.write_bytes(data)
    assert facts(str(path), through=True).frames == 3_000
    path.write_bytes(data[:-4])
    with pytest.raises(BadSound, match="its header says 3,000 frames, and 2,999 are there"):
        facts(str(path))


# -- bad ones -------------------------------------------------------------------------------------------------


def flac_of_unknown_length(path: Path) -> None:
    soundfile.write(path, NOISE, 48_000, format="FLAC")
    data = bytearray(path.read_bytes())
    # RFC 9639, 8.2: 36 bits from bit 108 of the block, which begins after `fLaC` and its own head of 4 bytes.
    data[21] &= 0xF0
    data[22:26] = bytes(4)
    path.write_bytes(data)


def cut(path: Path, **how: Any) -> None:
    soundfile.write(path, NOISE, 48_000, **how)
    data = path.read_bytes()
    path.write_bytes(data[: len(data) * 2 // 3])


def written(path: Path, samples: Any, rate: int = 48_000, **how: Any) -> None:
    soundfile.write(path, samples, rate, **how)


BAD: dict[str, tuple[Callable[[Path], Any], str]] = {
    "missing": (lambda path: None, "there is no file"),
    "a folder": (Path.mkdir, "is no file"),
    "a pipe": (os.mkfifo, "is no file"),
    "empty": (Path.touch, "is empty"),
    "text": (lambda path: path.write_text("tin buttons\n" * 100), "is no sound file, or is damaged"),
    "half a header": (lambda path: path.write_bytes(wav_head(10)[:30]), "is no sound file, or is damaged"),
    "no frames": (lambda path: written(path, NOISE[:0], format="WAV"), "has no sound in it: it is 0 s long"),
    "nine channels": (lambda path: written(path, np.zeros((9, 9)), format="WAV"), "has 9 channels; a stem has 1 to 8"),
    "12 hours": (lambda path: sparse(path, 12 * 3_600), "is 12:00:00 long; a track is at most 1:00:00"),
    "1 s too long": (lambda path: sparse(path, TRACK_MAX_S + 1), "is 1:00:01 long"),
    "slow": (lambda path: written(path, NOISE, 4_000, format="WAV"), "says 4,000 frames a second"),
    "fast": (lambda path: written(path, NOISE, 1_000_000, format="WAV"), "says 1,000,000 frames a second"),
    "lossy": (lambda path: written(path, NOISE, format="OGG"), "is a file of format OGG; WAV and FLAC are played"),
    "other": (lambda path: written(path, NOISE, format="AIFF"), "is a file of format AIFF"),
    "cut WAV": (lambda path: cut(path, format="WAV"), "is cut short: its header says 3,000 frames, and 1,99"),
    "cut RF64": (lambda path: cut(path, format="RF64"), "is cut short"),
    "cut FLAC": (lambda path: cut(path, format="FLAC"), "is cut short or damaged"),
    "unknown length": (flac_of_unknown_length, "does not say how long it is"),
    "never finished": (lambda path: path.write_bytes(wav_head(0x3FFF_FFF0) + bytes(4_000)), "is cut short"),
}


@pytest.mark.parametrize("case", BAD)
def test_each_bad_file_has_its_sentence(tmp_path: Path, case: str) -> None:
    make, sentence = BAD[case]
    path = tmp_path / "stem"
    make(path)
    with pytest.raises(BadSound) as caught:
        facts(str(path))
    assert sentence in str(caught.value)
    assert f"`{path}`" in str(caught.value)


def test_an_hour_is_still_played(tmp_path: Path) -> None:
    sparse(tmp_path / "a.wav", TRACK_MAX_S)
    assert facts(str(tmp_path / "a.wav")).length == TRACK_MAX_S * 10**9


def test_a_file_that_may_not_be_read(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    written(path, NOISE)
    path.chmod(0)
    if os.access(path, os.R_OK):
        path = tmp_path / ("a" * 300)
    with pytest.raises(BadSound, match=r"cannot be read: (Permission denied|File name too long)"):
        facts(str(path))
    with pytest.raises(BadSound, match="cannot be read"):
        facts("a\0b")


@given(data=st.data())
def test_a_file_that_was_cut_anywhere_is_refused(tmp_path_factory: pytest.TempPathFactory, data: st.DataObject) -> None:
    path = tmp_path_factory.mktemp("cut") / "a"
    format_ = data.draw(st.sampled_from(["WAV", "WAVEX", "RF64", "FLAC"]))
    written(path, NOISE, format=format_)
    whole = path.read_bytes()
    path.write_bytes(whole[: data.draw(st.integers(0, len(whole) - 1))])
    with pytest.raises(BadSound):
        facts(str(path), through=True)


@given(at=st.floats(0, 1, exclude_max=True), flip=st.integers(1, 255))
def test_a_damaged_flac_file_is_refused_or_says_the_same(
    tmp_path_factory: pytest.TempPathFactory, at: float, flip: int
) -> None:
    """Its frames carry a checksum; the head of the file does not, and much of that does not touch the samples."""
    path = tmp_path_factory.mktemp("damaged") / "a"
    written(path, NOISE, format="FLAC")
    data = bytearray(path.read_bytes())
    before = read(str(path))
    data[int(at * len(data))] ^= flip
    path.write_bytes(data)
    try:
        told = facts(str(path), through=True)
    except BadSound:
        return
    if told[1:3] == (2, 3_000):
        assert np.array_equal(read(str(path)), before)


@given(noise=st.binary(max_size=400), head=st.sampled_from([b"", b"RIFF....WAVE", b"fLaC", wav_head(50)[:30]]))
def test_garbage_is_refused_or_has_no_more_frames_than_bytes(
    tmp_path_factory: pytest.TempPathFactory, noise: bytes, head: bytes
) -> None:
    path = tmp_path_factory.mktemp("garbage") / "a"
    path.write_bytes(head + noise)
    with suppress(BadSound):
        told = facts(str(path), through=True)
        assert told.frames <= len(noise)


def test_without_the_library_it_says_what_to_install(tmp_path: Path) -> None:
    code = (
        "import sys; sys.modules['soundfile'] = None\n"
        "from stagectl.tracks.sound.files import facts\n"
        "from stagectl.errors import DeviceError\n"
        "try: facts('a.wav')\n"
        "except DeviceError as error: print(error)\n"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=tmp_path)
    assert run.stdout == "the built-in player needs `soundfile`: pip install 'stagectl[player]'\n"
