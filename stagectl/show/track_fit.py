"""Do the songs' tracks fit? Players and what they can play, tempo, places in the track, and what comes at its end."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import suppress
from typing import TYPE_CHECKING

from stagectl.core.players import Then
from stagectl.core.tempo import TempoMap
from stagectl.errors import Advice, Fault, WireError, nearest
from stagectl.show.rig import TOLD, PlayerModel, RigModel, SoundModel
from stagectl.show.saying import track_numbers
from stagectl.show.setlist import CueModel, SetlistModel, SongModel
from stagectl.show.source import Source
from stagectl.show.time_fit import pointed
from stagectl.show.timing import TRACK_S
from stagectl.show.tracks import click_outputs, player_of, tempo_of_song, timed
from stagectl.show.yamltext import Path

if TYPE_CHECKING:
    from stagectl.core.plan import Plan
    from stagectl.show.load import Show


def track_faults(
    setlist: SetlistModel, rig: RigModel | None, tempos: Mapping[int, TempoMap], source: Source
) -> Iterator[Fault]:
    """Faults of every song's track. `tempos`: the tempo maps that are known, by song; `rig`: None where it could not be
    read."""
    for at, song in enumerate(setlist.songs):
        yield from _tempo_faults(song, source, at)
        tempo = tempos.get(at)
        if tempo is not None or not _says_tempo(song):
            yield from _place_faults(song, tempo, source, at)
        yield from _end_faults(setlist, song, source, at)
        if rig is not None:
            yield from _cue_faults(song, rig, tempo, source, at)


def _says_tempo(song: SongModel) -> bool:
    return song.tempo is not None or song.tempo_file is not None


def track_advice(show: Show, _: Plan) -> Iterator[Advice]:
    """A warning for each song in which a player that is followed by its clock has no tempo to be followed by."""
    for at, song in enumerate(show.setlist.songs):
        player = player_of(show.rig, song)
        if player is not None and player.follow == "clock" and at not in show.tempos:
            says = f"`{player.name}` is not followed in `{song.name}`: a clock tells beats, and the song has no `tempo`"
            yield show.sources["setlist"].advice(says, "songs", at, "cue")


# -- tempo ------------------------------------------------------------------------------------------------


def _tempo_faults(song: SongModel, source: Source, at: int) -> Iterator[Fault]:
    if song.tempo is not None and song.tempo_file is not None:
        yield source.fault("one of `tempo` and `tempo file` is enough", "songs", at, "tempo file")
        return
    needs = "`tempo` is missing here" if song.tempo_file is None else "the `tempo file` has that already"
    if song.tempo is None and song.metre is not None:
        yield source.fault(f"{needs}: a `metre` alone says no times", "songs", at, "metre")
    if song.tempo is None and song.tempo_changes:
        yield source.fault(f"{needs}: changes go over it", "songs", at, "tempo changes")
    if song.tempo is not None:
        try:
            tempo_of_song(song)
        except ValueError as error:
            yield source.fault(str(error), "songs", at, "tempo changes")
    if song.count_in and not _says_tempo(song):
        yield source.fault("a count-in needs the song's `tempo`", "songs", at, "count in")


# -- places in the track ----------------------------------------------------------------------------------


def _place_faults(song: SongModel, tempo: TempoMap | None, source: Source, at: int) -> Iterator[Fault]:
    """Sections that say where they begin: in a track, in their order, before its end."""
    last, before, ends = -1, "", _Ends(song, source, at)
    for part, section in enumerate(song.sections):
        if section.at is None:
            continue
        place = ("songs", at, "sections", part, "at")
        if song.cue is None:
            yield source.fault("this song has no `cue`, so there is no track that a section could follow", *place)
            return
        try:
            position = dict(timed([section], tempo))[0]
        except ValueError as error:
            yield source.fault(str(error), *place)
            continue
        if position <= last:
            says = f"the section begins at {_time(position)}, not after `{before}` at {_time(last)}"
            one = pointed(source.text.at(place), TRACK_S)
            hint = one.hint if one is not None and one.meant > last and not ends.are_before(one.meant) else ""
            yield source.fault(f"{says}; sections stand in the order of the track{hint}", *place)
        else:
            yield from ends.faults(position, section.name, place)
        last, before = max(last, position), section.name


class _Ends:
    """The end of a track, which sections begin before. A `length` with a point may be the one that is at fault: it is
    told once, and counts as what it may be meant to be from there on."""

    def __init__(self, song: SongModel, source: Source, at: int) -> None:
        self.ns, self.source, self.place = song.length, source, ("songs", at, "length")
        self.typed = None if song.length is None else pointed(source.text.at(self.place), TRACK_S)

    def are_before(self, position: int) -> bool:
        """Whether the track has ended by then."""
        return self.ns is not None and position >= self.ns

    def faults(self, position: int, name: str, place: Path) -> Iterator[Fault]:
        """What is wrong with a section that begins at a position."""
        if self.ns is None or not self.are_before(position):
            return
        if self.typed is not None and position < self.typed.meant:
            begins = f"and `{name}` begins at {_time(position)}"
            yield self.source.fault(f"{self.typed.says}, {begins}{self.typed.hint}", *self.place)
            self.ns = self.typed.meant
            return
        says = f"the section begins at {_time(position)}, and the track ends at {_time(self.ns)} (`length`)"
        yield self.source.fault(says, *place)


def _time(position: int) -> str:
    """`1:12`, `0:07.25`."""
    minutes, rest = divmod(position, 60_000_000_000)
    seconds = f"{rest / 1e9:06.3f}".rstrip("0").rstrip(".")
    return f"{minutes}:{seconds}"


def _end_faults(setlist: SetlistModel, song: SongModel, source: Source, at: int) -> Iterator[Fault]:
    if song.then.then is Then.STAY:
        return
    if song.cue is None:
        yield source.fault("this song has no `cue`, so there is no track that could end", "songs", at, "then")
    elif at + 1 == len(setlist.songs):
        yield source.fault("this is the last song: none comes after it", "songs", at, "then")
    elif song.then.then is Then.START and setlist.songs[at + 1].cue is None:
        says = f"the next song, `{setlist.songs[at + 1].name}`, has no `cue`, so there is no track that could start"
        yield source.fault(says, "songs", at, "then")
    elif song.length is None and not song.cue.stems:
        yield source.fault("nobody knows when this track ends: its `length` is missing", "songs", at, "then")


# -- players ----------------------------------------------------------------------------------------------


def _cue_faults(song: SongModel, rig: RigModel, tempo: TempoMap | None, source: Source, at: int) -> Iterator[Fault]:
    cue = song.cue
    if cue is None:
        if song.count_in:
            yield source.fault("this song has no `cue`, so nothing would count in", "songs", at, "count in")
        return
    player = player_of(rig, song)
    if player is None:
        known = [one.name for one in rig.players]
        says = f"`{cue.player}` is not a track player of this rig{nearest(cue.player, known)}"
        yield source.fault(says, "songs", at, "cue", "player")
    elif player.sound is None:
        yield from _wire_faults(song, cue, player, tempo, source, at)
    else:
        yield from _sound_faults(song, cue, player.sound, tempo, source, at)


def _wire_faults(
    song: SongModel, cue: CueModel, player: PlayerModel, tempo: TempoMap | None, source: Source, at: int
) -> Iterator[Fault]:
    place = ("songs", at, "cue")
    if cue.number is None:
        yield source.fault(f"`number` is missing here: what `{player.name}` is told to play", *place)
    if cue.stems:
        yield source.fault(f"`{player.name}` is at a wire: only a built-in player plays `stems`", *place, "stems")
    if song.count_in:
        says = f"`{player.name}` is at a wire: only a built-in player counts in"
        yield source.fault(says, "songs", at, "count in")
    if cue.number is None or (tempo is None and _says_tempo(song)):
        return
    # What can be said at the beginning may be beyond what a message holds where the last section begins.
    positions, code_at = (0, _last(song, tempo), song.length or 0), song.time_code_at
    numbers = [track_numbers(cue.number, position, tempo, code_at) for position in positions]
    for says in {str(error): None for word in TOLD for one in numbers for error in _unsayable(player, word, one)}:
        yield source.fault(f"`{player.name}` cannot be told cue {cue.number}: {says}", *place, "number")


def _last(song: SongModel, tempo: TempoMap | None) -> int:
    """Where in the track the last of its sections begins, ns; 0 where that is not known."""
    with suppress(ValueError):
        return max((position for _, position in timed(song.sections, tempo)), default=0)
    return 0


def _unsayable(player: PlayerModel, word: str, numbers: Mapping[str, int]) -> Iterator[WireError]:
    for message in player.told(word):
        try:
            message.packets(numbers)
        except WireError as error:
            yield error


def _sound_faults(
    song: SongModel, cue: CueModel, model: SoundModel, tempo: TempoMap | None, source: Source, at: int
) -> Iterator[Fault]:
    place = ("songs", at, "cue")
    if cue.number is not None:
        says = f"`{cue.player}` is the built-in player: it plays `stems`, and knows no numbers"
        yield source.fault(says, *place, "number")
    for path, outputs in cue.stems.items():
        for part, name in enumerate(outputs):
            if name not in model.outputs:
                says = f"`{name}` is not an output of `{cue.player}`{nearest(name, model.outputs)}"
                yield source.fault(says, *place, "stems", path, part)
    if song.count_in and model.click is None:
        says = f"nothing would be heard of the count-in: `{cue.player}` has no output for a `click`"
        yield source.fault(says, "songs", at, "count in")
    if cue.stems or (tempo is None and _says_tempo(song)):
        return
    if tempo is None or song.length is None:
        missing = "`tempo`" if tempo is None else "`length`"
        says = f"without `stems` there is a click alone, which needs the song's {missing}"
        yield source.fault(says, *place)
    elif not click_outputs(song, model, tempo):
        says = f"there is nothing to play: no `stems`, and `{cue.player}` has no output for a `click`"
        yield source.fault(says if cue.click else "there is nothing to play: no `stems`, and no `click`", *place)
