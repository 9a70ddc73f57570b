"""Makes the stems of the demo night: short invented music of plain tones and noise, for three of its songs.

    python setlists/nine-songs/make_stems.py [FOLDER]

It needs `pip install 'stagectl[player]'`. The files go to the folder `stems` beside this script, or to FOLDER. The same
samples come out every time.
"""

from __future__ import annotations

import sys
from functools import cache
from pathlib import Path
from typing import Final, NamedTuple, TypeAlias

try:
    import numpy as np
    import soundfile
    from numpy.typing import NDArray
except ImportError as missing:
    raise SystemExit(f"{missing.name} is missing: pip install 'stagectl[player]'") from missing

Wave: TypeAlias = NDArray[np.float64]


class Part(NamedTuple):
    """So many bars of a metre."""

    bars: int
    beats: int
    unit: int


class Song(NamedTuple):
    """`tempo`: quarter notes a minute. `chords`: of each bar in turn, in semitones above A, 110 Hz."""

    tempo: int
    parts: tuple[Part, ...]
    chords: tuple[tuple[int, ...], ...]
    seed: int


LANTERNS: Final = Song(96, (Part(16, 4, 4),), ((0, 7, 12, 16), (-4, 3, 8, 12), (5, 8, 12, 17), (-2, 5, 10, 14)), 1)
ROWS: Final = Song(132, (Part(12, 4, 4), Part(8, 3, 4)), ((0, 7, 12, 15), (3, 7, 10, 15), (-2, 5, 10, 14)), 2)
TIN_BUTTONS: Final = Song(100, (Part(16, 6, 8),), ((3, 10, 15, 19), (0, 7, 12, 15), (5, 8, 12, 17)), 3)

TAIL_S: Final = 0.8
"""What sounds on after the last bar, s."""

PEAK_DB: Final = -9.0
"""The highest peak of a file, dB of full scale."""


class Beat(NamedTuple):
    """Where a beat is, s; its number in the bar, from 0; how long it lasts, s; and the bar's chord."""

    at: float
    number: int
    lasts: float
    chord: tuple[int, ...]


def beats(song: Song) -> list[Beat]:
    """Every beat of a song."""
    out, quarters, bar = [], 0.0, 0
    for part in song.parts:
        length = 4 / part.unit
        for _ in range(part.bars):
            chord = song.chords[bar % len(song.chords)]
            for number in range(part.beats):
                out.append(Beat(quarters * 60 / song.tempo, number, length * 60 / song.tempo, chord))
                quarters += length
            bar += 1
    return out


def seconds(song: Song) -> float:
    """How long it is."""
    last = beats(song)[-1]
    return last.at + last.lasts + TAIL_S


@cache
def pluck(semitones: int, lasts: float, rate: int) -> Wave:
    """A tone of a few harmonics that dies away."""
    time = np.arange(round(lasts * rate)) / rate
    pitch = 110 * 2 ** (semitones / 12)
    tone = sum(np.sin(2 * np.pi * pitch * k * time) / k**2 for k in (1, 2, 3, 5))
    return np.asarray(tone * np.exp(-4 * time / lasts) * np.minimum(1, time / 0.004))


def brush(lasts: float, rate: int, chance: np.random.Generator) -> Wave:
    """A short noise."""
    time = np.arange(round(lasts * rate)) / rate
    return chance.uniform(-1, 1, len(time)) * np.exp(-7 * time / lasts)


def add(wave: Wave, rate: int, at: float, sound: Wave, left: float, right: float) -> None:
    """Put a sound into a stereo wave."""
    begins = round(at * rate)
    room = wave[begins : begins + len(sound)]
    room += sound[: len(room), None] * (left, right)


def music(song: Song, rate: int) -> Wave:
    """Bass on the first beat of a bar, a broken chord over the beats, a brush off them."""
    chance = np.random.default_rng(song.seed)
    wave = np.zeros((round(seconds(song) * rate), 2))
    for at, beat in enumerate(beats(song)):
        if beat.number == 0:
            add(wave, rate, beat.at, pluck(beat.chord[0] - 12, 1.1, rate), 0.7, 0.7)
        note = beat.chord[at % len(beat.chord)]
        side = (at % 3) / 2
        add(wave, rate, beat.at, pluck(note, 0.7, rate), 0.5 - 0.3 * side, 0.2 + 0.3 * side)
        add(wave, rate, beat.at + beat.lasts / 2, brush(0.03, rate, chance), 0.06, 0.08)
    return wave


def click(song: Song, rate: int) -> Wave:
    """A short tone on every beat, higher on the first of a bar; one channel."""
    wave = np.zeros((round(seconds(song) * rate), 2))
    for beat in beats(song):
        time = np.arange(round(0.025 * rate)) / rate
        tone = np.sin(2 * np.pi * (1500 if beat.number == 0 else 1000) * time) * np.exp(-time / 0.005)
        add(wave, rate, beat.at, tone, 1.0, 1.0)
    return wave[:, :1]


def write(path: Path, wave: Wave, rate: int, kind: str) -> None:
    """Write a file, its highest peak at `PEAK_DB`."""
    level = 10 ** (PEAK_DB / 20) / np.abs(wave).max()
    soundfile.write(path, wave * level, rate, subtype=kind)
    print(f"{path}: {len(wave) / rate:.1f} s, {path.stat().st_size / 1000:,.0f} kB")  # noqa: T201 - it is a script


def main(folder: Path) -> None:
    """Make all of them."""
    folder.mkdir(parents=True, exist_ok=True)
    write(folder / "lanterns.flac", music(LANTERNS, 48_000), 48_000, "PCM_16")
    write(folder / "rows.flac", music(ROWS, 48_000), 48_000, "PCM_16")
    write(folder / "rows-click.wav", click(ROWS, 48_000), 48_000, "PCM_16")
    write(folder / "tin-buttons.wav", music(TIN_BUTTONS, 44_100), 44_100, "PCM_24")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent / "stems")
