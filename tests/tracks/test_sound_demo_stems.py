"""The stems of the demo night: the script makes them, the same every time, and the player can play them."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import soundfile

from stagectl.tracks.sound.files import facts

SCRIPT = Path(__file__).resolve().parents[2] / "setlists" / "nine-songs" / "make_stems.py"

MADE = {
    # 16 bars of 4/4 at 96; 12 of 4/4 and 8 of 3/4 at 132; 16 of 6/8 at 100 quarter notes a minute. And a tail.
    "lanterns.flac": (48_000, 2, 64 * 60 / 96, "FLAC PCM_16"),
    "rows.flac": (48_000, 2, 72 * 60 / 132, "FLAC PCM_16"),
    "rows-click.wav": (48_000, 1, 72 * 60 / 132, "WAV PCM_16"),
    "tin-buttons.wav": (44_100, 2, 48 * 60 / 100, "WAV PCM_24"),
}


def test_the_stems_of_the_demo_night(tmp_path: Path) -> None:
    for name in ("one", "other"):
        subprocess.run([sys.executable, str(SCRIPT), str(tmp_path / name)], check=True, capture_output=True)
    assert {path.name for path in (tmp_path / "one").iterdir()} == set(MADE)
    for name, (rate, channels, seconds, sort) in MADE.items():
        told = facts(str(tmp_path / "one" / name), through=True)
        assert (told.rate, told.channels, told.sort) == (rate, channels, sort)
        assert seconds < told.length / 1e9 < seconds + 1
        first, second = (soundfile.read(tmp_path / folder / name)[0] for folder in ("one", "other"))
        assert np.array_equal(first, second)
        assert np.abs(first).max() < 0.4
        assert np.abs(first).max() > 0.3
