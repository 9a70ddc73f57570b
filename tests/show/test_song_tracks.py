"""What the built-in player is told of a song, from how the song is written."""

from __future__ import annotations

from pathlib import Path

import pytest

from stagectl.show.load import load_show
from stagectl.show.tracks import song_tracks
from stagectl.tracks.song import SongTrack

S = 1_000_000_000

RIG = """inputs: [{name: voice, socket: 1}]
listeners: [{name: singer, mix: 1}]
desk: {profile: control-change, port: desk}
players: [{name: laptop, sound: {outputs: {left: 1, click: 2}, click: click}}]
"""


def track_of(folder: Path, song: str) -> SongTrack:
    (folder / "rig.yaml").write_text(RIG)
    (folder / "setlist.yaml").write_text(
        "title: one\nrig: rig.yaml\nbase: {singer: {voice: -10}}\nsongs:\n"
        f"  - {{name: Rows, tempo: 120, cue: {{player: laptop, stems: {{a.wav: left, b.wav: click}}}}, {song}}}\n"
    )
    show = load_show(folder)
    return song_tracks(show.setlist.songs, show.rig, show.tempos, show.folder)[0][0]


@pytest.mark.parametrize(
    ("song", "counts_from", "lead"),
    [
        ("length: 1:00", None, 0),
        ("count in: 1", -2 * S, 2 * S),
        ("count in: 2, bar 1 at: 1", -3 * S, 3 * S),
        ("count in: 1, bar 1 at: 3", S, 0),
    ],
)
def test_a_count_in_begins_so_many_bars_before_bar_1(
    tmp_path: Path, song: str, counts_from: int | None, lead: int
) -> None:
    """At 120 a bar of four lasts 2 s. What is before the track is the lead; the rest is heard over the stems."""
    track = track_of(tmp_path, song)
    assert (track.counts_from, track.lead, track.counted) == (counts_from, lead, (2,))
