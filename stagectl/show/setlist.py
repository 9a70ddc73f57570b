"""The setlist file: the scenes that the night steps through."""

from fractions import Fraction
from typing import Annotated, Literal, Self, TypeAlias

from pydantic import BeforeValidator, Field, model_validator

from stagectl.core.tempo import Metre
from stagectl.show.decibels import LayerChange, SendLevel
from stagectl.show.gestures import Overrides
from stagectl.show.messages import SayList, one_or_more
from stagectl.show.rig import OUTPUTS_MAX
from stagectl.show.timetable import TimetableModel
from stagectl.show.timing import (
    BARS_MAX,
    TRACK_S,
    AtTheEnd,
    MetreText,
    Place,
    TempoText,
    ThenText,
)
from stagectl.show.values import Duration, Fade, FileModel, Flag, Name, OrElse, Whole

SONGS_MAX = 1_000
SECTIONS_MAX = 64
STEMS_MAX = 16
COUNT_IN_MAX = 8
DAY_S = 24 * 3_600
TEMPO_CHANGES_MAX = 1_000

StemOutputs: TypeAlias = Annotated[
    list[Name], BeforeValidator(one_or_more), Field(min_length=1, max_length=OUTPUTS_MAX), OrElse()
]
"""The outputs that a stem goes to, by their names in the rig."""

BaseText: TypeAlias = dict[Name, dict[Name, SendLevel]]
"""Levels by listener and input; `rest` is every input that is not named (off where left out)."""

LayerTexts: TypeAlias = dict[Name, dict[Name, LayerChange]]
"""Changes by listener (or `everyone`) and input (or `own`, or `whole mix`)."""


class MessageModel(FileModel):
    """A message to a device: one that the rig names, or spelled out here."""

    to: Name = Field(description="a device of the rig")
    message: Name | None = Field(None, description="one of its messages, by name")
    say: SayList | None = Field(None, description="the message itself")

    @model_validator(mode="after")
    def _one_message(self) -> Self:
        if (self.message is None) == (self.say is None):
            raise ValueError("exactly one of `message` (a name from the rig) and `say` (the message itself) is needed")
        return self


class CueModel(FileModel):
    """What the song plays: a number of a track player over a wire, or the stems of the built-in one; and when."""

    player: Name = Field(description="a track player of the rig")
    number: Annotated[int, Whole(0, 16_383)] | None = Field(
        None, description="the number of the cue, for a player over a wire"
    )
    stems: dict[Name, StemOutputs] = Field(
        {},
        max_length=STEMS_MAX,
        description="sound files (WAV, FLAC) of the built-in player, beside the setlist, and the outputs that their "
        "channels go to in their order; a mono file goes to each of several",
    )
    click: Flag = Field(
        True,
        description="whether a click is made from the tempo, where the rig has an output for it and no stem goes there",
    )
    starts: Literal["with the song", "by press"] = Field(
        "with the song", description="when: `with the song`, or `by press`"
    )


FeetText: TypeAlias = dict[Name, Overrides]
"""What controls do instead, by pedal and control."""


class TempoChangeModel(FileModel):
    """From the beginning of a bar on, another tempo, or another metre, or both."""

    bar: Annotated[int, Whole(2, BARS_MAX)] = Field(description="the bar, counted from 1")
    tempo: Annotated[Fraction, TempoText()] | None = Field(None, description="quarter notes a minute from there on")
    metre: Annotated[Metre, MetreText()] | None = Field(None, description="the metre from there on, such as `3/4`")

    @model_validator(mode="after")
    def _changes(self) -> Self:
        if self.tempo is None and self.metre is None:
            raise ValueError("a change says a `tempo`, a `metre` or both")
        return self


class SectionModel(FileModel):
    """A part of a song with changes of its own, on top of the song's."""

    name: Name = Field(description="the section")
    at: Place | None = Field(
        None, description="where in the song's track it comes by itself: `1:12`, `bar 33`, `bar 33 beat 3`"
    )
    levels: LayerTexts = Field({}, description="its changes, by listener (or `everyone`) and input")
    fade: Fade | None = Field(None, description="how long the change to it takes")
    messages: list[MessageModel] = Field([], description="what devices are told when it begins")
    pedals: FeetText = Field({}, description="what controls do instead in it, by pedal and control")
    notes: str | None = Field(None, description="words for people")


class SongModel(FileModel):
    """A song: its changes to the base, then its sections in order."""

    name: Name = Field(description="the song")
    levels: LayerTexts = Field({}, description="its changes to the base, by listener (or `everyone`) and input")
    fade: Fade | None = Field(None, description="how long the change to it takes")
    cue: CueModel | None = Field(None, description="what its track player plays")
    tempo: Annotated[Fraction, TempoText()] | None = Field(
        None, description="quarter notes a minute, whatever the metre: for bars, clock, click and count-in"
    )
    metre: Annotated[Metre, MetreText()] | None = Field(
        None, description="its metre, such as `6/8`; 4/4 where left out"
    )
    tempo_changes: list[TempoChangeModel] = Field(
        [], max_length=TEMPO_CHANGES_MAX, description="where tempo or metre change, in the order of their bars"
    )
    tempo_file: Name | None = Field(
        None, description="a Standard MIDI File beside the setlist that has the tempo and the metre instead"
    )
    bar_1_at: Annotated[int, Duration(60)] = Field(0, description="where in the track bar 1 begins")
    time_code_at: Annotated[int, Duration(DAY_S - 1)] = Field(
        0,
        description="what MIDI time code says where its track begins: that of a player that is followed, and that "
        "which devices get",
    )
    count_in: Annotated[int, Whole(0, COUNT_IN_MAX)] = Field(
        0, description="bars of click that the built-in player counts before bar 1"
    )
    length: Annotated[int, Duration(TRACK_S)] | None = Field(
        None, description="how long its track is, or (without one) about how long the song takes"
    )
    then: Annotated[AtTheEnd, ThenText()] = Field(
        AtTheEnd(),
        description="what happens when its track has ended: `stay`, `next song`, or `{next song starts after: 5 s}`",
    )
    messages: list[MessageModel] = Field([], description="what devices are told when it begins")
    stored_scene: Annotated[int, Whole(1, 16_384)] | None = Field(
        None, description="a scene that the desk itself stores, recalled when the song begins"
    )
    pedals: FeetText = Field({}, description="what controls do instead in it, by pedal and control")
    sections: list[SectionModel] = Field(default=[], max_length=SECTIONS_MAX, description="its sections, in order")
    notes: str | None = Field(None, description="words for people")


class SceneModel(FileModel):
    """A named scene that a pedal can recall over any song."""

    levels: LayerTexts = Field(description="its changes, by listener (or `everyone`) and input")
    fade: Fade | None = Field(None, description="how long the change to it takes")


class SetlistModel(FileModel):
    """A setlist."""

    title: Name = Field(description="the night's title")
    rig: Name = Field(description="the rig's file, beside this one")
    base: BaseText = Field(description="every listener's mix, by input; `rest` is every input that is not named")
    venues: dict[Name, LayerTexts] = Field({}, description="what each room changes, by its name")
    scenes: dict[Name, SceneModel] = Field({}, description="scenes that a pedal can recall over any song, by name")
    fade: Fade = Field(0, description="how long a change takes where nothing else is said")
    songs: list[SongModel] = Field(min_length=1, max_length=SONGS_MAX, description="the songs, in order")
    gap: Annotated[int, Duration(600)] = Field(
        20_000_000_000, description="how long it takes from one song to the next, for the estimated length of the set"
    )
    timetable: TimetableModel | None = Field(None, description="the night by the clock on the wall")
    timetables: dict[Name, TimetableModel] = Field(
        {}, description="what the timetable of a venue says instead, by the venue's name"
    )
    notes: str | None = Field(None, description="words for people")
