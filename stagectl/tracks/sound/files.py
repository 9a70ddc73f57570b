"""Sound files: what they are, told without playing them, and reading them block by block.

WAV and FLAC are read, by libsndfile. It takes a WAV file that ends too soon for a shorter one; so what its header
promises is looked up in its chunks. A FLAC file that ends too soon has no last frame; one that is damaged in its middle
shows that only when it is read through.

Sources: Multimedia Programming Interface and Data Specifications 1.0 (RIFF WAVE: chunks, `fmt ` and `data`); EBU Tech
3306 (RF64: `ds64` holds the sizes that do not fit in 32 bits); RFC 9639, 8.2 (FLAC: a total of 0 samples means
unknown).
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, BinaryIO, Final, NamedTuple

from stagectl.regular import NoFileError, open_regular
from stagectl.tracks.sound.needed import library

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

CHANNELS_MAX: Final = 8

TRACK_MAX_S: Final = 3_600
"""The longest track, s: an hour."""

RATE_MIN: Final = 8_000
RATE_MAX: Final = 384_000
"""Frames a second: from speech on a telephone to the highest rate of sound cards."""

BLOCK: Final = 65_536
"""Frames that are read at once."""

FORMATS: Final = {"WAV": "WAV", "WAVEX": "WAV", "RF64": "WAV", "FLAC": "FLAC"}
"""libsndfile's names of the formats that are read, and ours."""

CHUNKS_MAX: Final = 10_000
"""Chunks of a WAV file before its samples."""

_IN_DS64: Final = 0xFFFF_FFFF
"""The size of a chunk that does not say it here."""

_UNKNOWN: Final = 1 << 62
"""libsndfile gives about 2^63 frames for a FLAC file that does not say how many it has."""


class BadSound(ValueError):
    """A sound file, or a track made of some, that cannot be played; its text is a whole sentence."""


class SoundFacts(NamedTuple):
    """What a sound file is. `rate`: frames a second; `sort`: WAV or FLAC, and how a sample is written."""

    rate: int
    channels: int
    frames: int
    sort: str

    @property
    def length(self) -> int:
        """How long it is, ns."""
        return self.frames * 1_000_000_000 // self.rate


def facts(path: str, *, through: bool = False) -> SoundFacts:
    """What a sound file is. `through`: read it to its end, which finds damage in its middle.

    Raises BadSound with a sentence where it cannot be played, DeviceError where the libraries are missing.
    """
    with opened(path) as (told, file):
        if through:
            read = sum(len(block) for block in blocks(path, told, file))
            assert read == told.frames
        return told


@contextmanager
def opened(path: str) -> Iterator[tuple[SoundFacts, Any]]:
    """The facts of a sound file, and soundfile's `SoundFile`. Raises BadSound, DeviceError."""
    soundfile = library("soundfile")
    with _bytes_of(path) as raw:
        if os.fstat(raw.fileno()).st_size == 0:
            raise BadSound(f"`{path}` is empty")
        try:
            # By its number and not by its name: no ending of a name changes how it is read.
            file = soundfile.SoundFile(raw.fileno(), closefd=False)
        except (soundfile.SoundFileError, TypeError, ValueError) as error:
            raise BadSound(f"`{path}` is no sound file, or is damaged: {_reason(error)}") from error
        with file:
            told = SoundFacts(file.samplerate, file.channels, file.frames, f"{file.format} {file.subtype}")
            _within_bounds(path, told, file.format)
            _all_there(path, told, raw, file)
            yield told, file


@contextmanager
def _bytes_of(path: str) -> Iterator[BinaryIO]:
    try:
        raw = open_regular(path)
    except FileNotFoundError as error:
        raise BadSound(f"there is no file `{path}`") from error
    except NoFileError as error:
        raise BadSound(f"`{path}` is no file: {error.strerror}") from error
    except (OSError, ValueError) as error:
        raise BadSound(f"`{path}` cannot be read: {getattr(error, 'strerror', None) or error}") from error
    with raw:
        yield raw


def _within_bounds(path: str, told: SoundFacts, format_: str) -> None:
    if format_ not in FORMATS:
        raise BadSound(f"`{path}` is a file of format {format_}; WAV and FLAC are played")
    if not 1 <= told.channels <= CHANNELS_MAX:
        raise BadSound(f"`{path}` has {told.channels} channels; a stem has 1 to {CHANNELS_MAX}")
    if not RATE_MIN <= told.rate <= RATE_MAX:
        raise BadSound(f"`{path}` says {told.rate:,} frames a second; {RATE_MIN:,} to {RATE_MAX:,} are played")
    if told.frames == 0:
        raise BadSound(f"`{path}` has no sound in it: it is 0 s long")
    if told.frames >= _UNKNOWN:
        raise BadSound(f"`{path}` does not say how long it is; write it again with a program that says so")
    if told.frames > TRACK_MAX_S * told.rate:
        raise BadSound(f"`{path}` is {clock(told.length)} long; a track is at most {clock(TRACK_MAX_S * 10**9)}")


def clock(ns: int) -> str:
    """A time as hours, minutes and seconds: 1:02:03 or 2:03."""
    minutes, seconds = divmod(ns // 1_000_000_000, 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02}:{seconds:02}" if hours else f"{minutes}:{seconds:02}"


def _all_there(path: str, told: SoundFacts, raw: BinaryIO, file: Any) -> None:
    """Raises BadSound where the file ends before what its header says."""
    soundfile = library("soundfile")
    # libsndfile reads from where the shared file stands: it is put back.
    here = raw.tell()
    promised = _frames_promised(raw)
    raw.seek(here)
    if promised is not None and promised > told.frames:
        raise BadSound(
            f"`{path}` is cut short: its header says {promised:,} frames, and {told.frames:,} are there; copy it again"
        )
    try:
        file.seek(told.frames - 1)
        last = len(file.read(1))
        file.seek(0)
    except soundfile.SoundFileError as error:
        raise BadSound(f"`{path}` is cut short or damaged: its end cannot be read; copy it again") from error
    if last != 1:
        raise BadSound(f"`{path}` is cut short: its last frame is missing; copy it again")


def _frames_promised(raw: BinaryIO) -> int | None:
    """How many frames the header of a WAV file says; None where it is none, or does not say."""
    raw.seek(0)
    head = raw.read(12)
    if head[:4] not in (b"RIFF", b"RIFX", b"RF64") or head[8:] != b"WAVE":
        return None
    order = "big" if head[:4] == b"RIFX" else "little"
    width, long_size = None, None
    for _ in range(CHUNKS_MAX):
        name, size = raw.read(4), int.from_bytes(raw.read(4), order)  # type: ignore[arg-type]  # one of the two
        if name == b"data":
            size = long_size if size == _IN_DS64 and long_size is not None else size
            return size // width if width else None
        if len(name) < 4:
            return None
        begins = raw.tell()
        if name == b"fmt ":
            # Tag, channels, frames a second, bytes a second; then bytes a frame.
            width = int.from_bytes(raw.read(16)[12:14], order)  # type: ignore[arg-type]
        elif name == b"ds64":
            # The size of the whole; then of the samples.
            long_size = int.from_bytes(raw.read(16)[8:], "little")
        # A chunk of odd size is followed by one byte of filling.
        raw.seek(begins + size + size % 2)
    return None


def blocks(path: str, told: SoundFacts, file: Any) -> Iterator[NDArray[np.float32]]:
    """The samples of an open file from its beginning to its end, `BLOCK` frames at a time, frames × channels, full
    scale at ±1. Raises BadSound where it is damaged."""
    soundfile = library("soundfile")
    left = told.frames
    while left:
        try:
            block = file.read(min(BLOCK, left), dtype="float32", always_2d=True)
        except soundfile.SoundFileError as error:
            raise BadSound(_damaged(path, told, left)) from error
        if not len(block):
            raise BadSound(_damaged(path, told, left))
        left -= len(block)
        yield block


def _damaged(path: str, told: SoundFacts, left: int) -> str:
    at = (told.frames - left) * 1_000_000_000 // told.rate
    return f"`{path}` is damaged: it can be read up to about {clock(at)} of {clock(told.length)}; copy it again"


def _reason(error: Exception) -> str:
    return str(getattr(error, "error_string", None) or error).rstrip(".")
