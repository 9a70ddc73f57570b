"""From a song as it is written to what its track is: its tempo map, its cue, and what the built-in player plays."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from stagectl.core.players import CueCall, Player, Timed
from stagectl.core.tempo import BarChange, Metre, TempoMap, by_bars
from stagectl.show.rig import PlayerModel, RigModel, SoundModel
from stagectl.show.setlist import SectionModel, SongModel
from stagectl.tracks.song import SongTrack, SoundDevice, Stem


def tempo_of_song(song: SongModel) -> TempoMap | None:
    """The tempo map that a song itself says; None where it says no tempo. Raises ValueError where its changes are not
    in order."""
    if song.tempo is None:
        return None
    changes = [BarChange(1, song.tempo, song.metre or Metre())]
    changes += [BarChange(one.bar, one.tempo, one.metre) for one in song.tempo_changes]
    return by_bars(changes, song.bar_1_at)


def player_of(rig: RigModel, song: SongModel) -> PlayerModel | None:
    """The player of a song's cue; None where it has none."""
    return None if song.cue is None else next((one for one in rig.players if one.name == song.cue.player), None)


def timed(sections: Sequence[SectionModel], tempo: TempoMap | None) -> Iterator[tuple[int, int]]:
    """The sections that say where they begin, by their places in the song, and their positions, ns. Raises ValueError
    where a place is nowhere."""
    for part, section in enumerate(sections):
        if section.at is not None:
            yield part, section.at.at(tempo)


def lead_of(song: SongModel, tempo: TempoMap | None) -> int:
    """How long a song's count-in is heard before its track's beginning, ns."""
    begins = counts_from(song, tempo)
    return 0 if begins is None else max(0, -begins)


def counts_from(song: SongModel, tempo: TempoMap | None) -> int | None:
    """Where in the track the first bar of a song's count-in begins, ns, below 0 before it; None without a count-in."""
    return None if tempo is None or not song.count_in else tempo.at_bar(1 - song.count_in)


def cue_of(rig: RigModel, song: SongModel, stop: int, tempo: TempoMap | None, length: int | None) -> CueCall | None:
    """A song's cue. `stop`: the stop at which the song begins; `length`: how long its track is, if that is known."""
    if song.cue is None:
        return None
    return CueCall(
        player=[one.name for one in rig.players].index(song.cue.player),
        number=song.cue.number or 0,
        by_press=song.cue.starts == "by press",
        lead_ns=lead_of(song, tempo),
        length_ns=length if song.length is None else song.length,
        sections=tuple(Timed(position, stop + 1 + part) for part, position in timed(song.sections, tempo)),
        then=song.then.then,
        pause_ns=song.then.pause,
    )


def player(model: PlayerModel) -> Player:
    """A track player as the core knows it."""
    ours = model.sound is not None
    return Player(
        name=model.name,
        pauses=ours or model.pause is not None,
        seeks=ours or model.start_here is not None,
        is_ours=ours,
        says=model.follow is not None,
    )


def sound_device(model: SoundModel) -> SoundDevice:
    """The sound device of the built-in player."""
    return SoundDevice(name=model.device, outputs=max(model.outputs.values()), rate=model.rate, frames=model.frames)


def song_track(at: int, song: SongModel, model: SoundModel, tempo: TempoMap | None, folder: Path) -> SongTrack:
    """What the built-in player plays in a song. `folder`: where the setlist is."""
    assert song.cue is not None
    stems = tuple(
        Stem(path=str(folder / path), outputs=tuple(model.outputs[name] for name in outputs))
        for path, outputs in song.cue.stems.items()
    )
    return SongTrack(
        song=at,
        name=song.name,
        stems=stems,
        tempo=tempo,
        lead=lead_of(song, tempo),
        length=song.length,
        click=click_outputs(song, model, tempo),
        counts=() if tempo is None else click_output(model),
        counts_from=counts_from(song, tempo),
    )


def click_outputs(song: SongModel, model: SoundModel, tempo: TempoMap | None) -> tuple[int, ...]:
    """Where a click is made for a song: at the rig's output for it, if the song has a tempo, and no stem goes there."""
    cue = song.cue
    if cue is None or not cue.click or model.click is None or tempo is None:
        return ()
    taken = {name for outputs in cue.stems.values() for name in outputs}
    return () if model.click in taken else click_output(model)


def click_output(model: SoundModel) -> tuple[int, ...]:
    """The output for a made click; nothing where the rig has none, or names one that is none."""
    return tuple(number for name, number in model.outputs.items() if name == model.click)


def song_tracks(
    songs: Sequence[SongModel], rig: RigModel, tempos: Mapping[int, TempoMap], folder: Path
) -> dict[int, dict[int, SongTrack]]:
    """What each built-in player (by its index in the rig) plays in its songs."""
    found: dict[int, dict[int, SongTrack]] = {}
    for at, song in enumerate(songs):
        model = player_of(rig, song)
        if model is not None and model.sound is not None:
            which = [one.name for one in rig.players].index(model.name)
            found.setdefault(which, {})[at] = song_track(at, song, model.sound, tempos.get(at), folder)
    return found
