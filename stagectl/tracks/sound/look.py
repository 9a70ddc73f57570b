"""A look at the stems of a show, without playing them: how long its tracks are, and what is wrong with them.

A track that cannot be played keeps nobody from playing the show, so what is wrong is a warning, and no fault.
"""

from __future__ import annotations

from typing import Final, NamedTuple

from stagectl.errors import Advice, DeviceError
from stagectl.show.load import Show
from stagectl.show.tracks import song_tracks, sound_device
from stagectl.tracks.song import SongTrack

ANY_RATE: Final = 48_000
"""Frames a second by which a track is tried: any other would do."""

TAIL_NS: Final = 1_000_000_000
"""How much longer than the song's `length` a stem may be, or shorter, before that is told: what rings out."""


class Looked(NamedTuple):
    """What the look has found. `lengths`: of the tracks that can be played, ns, by song."""

    lengths: dict[int, int]
    advice: list[Advice]


def look(show: Show, *, through: bool = False) -> Looked:
    """Look at every stem that the built-in players of a show play. `through`: read each to its end, which finds damage
    in the middle."""
    found = Looked({}, [])
    source = show.sources["setlist"]
    for player, tracks in song_tracks(show.setlist.songs, show.rig, show.tempos, show.folder).items():
        model = show.rig.players[player].sound
        assert model is not None
        outputs = sound_device(model).outputs
        for song, track in tracks.items():
            try:
                length, natural = track_length(track, outputs, through=through)
            except DeviceError as error:
                says = f"no stem can be looked at: {error}"
                found.advice.append(show.sources["rig"].advice(says, "players", player, "sound"))
                break
            except ValueError as error:
                says = f"`{track.name}` goes without its track: {error}"
                found.advice.append(source.advice(says, "songs", song, "cue"))
                continue
            found.lengths[song] = length
            found.advice.extend(_odd(show, song, length, natural))
    return found


def track_length(track: SongTrack, outputs: int, *, through: bool = False) -> tuple[int, int]:
    """How long a track is, and the longest of its stems, ns. `through`: they are read to their ends. Raises ValueError
    where it cannot be played, DeviceError where the libraries are missing."""
    from stagectl.tracks.sound.files import facts
    from stagectl.tracks.sound.needed import library

    library("soxr")
    library("soundfile")
    from stagectl.tracks.sound.stems import Blend

    with Blend(track, ANY_RATE, outputs) as blend:
        length = blend.length * 1_000_000_000 // ANY_RATE
    natural = max((facts(stem.path, through=through).length for stem in track.stems), default=length)
    return length, natural


def _odd(show: Show, song: int, length: int, natural: int) -> list[Advice]:
    """What can be played, and may be meant otherwise."""
    model, source, out = show.setlist.songs[song], show.sources["setlist"], []
    if model.length is not None and abs(natural - model.length) > TAIL_NS:
        what = "the last of its stems is over before that" if natural < model.length else "the rest is not heard"
        says = f"`{model.name}` ends at {model.length / 1e9:g} s, and its longest stem at {natural / 1e9:.4g} s: {what}"
        out.append(source.advice(says, "songs", song, "length"))
    for part, section in enumerate(model.sections):
        if model.length is None and section.at is not None and section.at.at(show.tempos.get(song)) >= length:
            says = f"the track is over at {length / 1e9:.4g} s, before `{section.name}` begins"
            out.append(source.advice(says, "songs", song, "sections", part, "at"))
    return out
