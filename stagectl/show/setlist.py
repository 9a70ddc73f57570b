"""The setlist file: the scenes that the night steps through."""

from __future__ import annotations

from typing import Annotated, Literal, TypeAlias

from pydantic import Field, model_validator

from stagectl.show.decibels import LayerChange, SendLevel
from stagectl.show.gestures import Overrides
from stagectl.show.messages import SayList
from stagectl.show.values import Fade, FileModel, Name, Whole

SONGS_MAX = 1_000
SECTIONS_MAX = 64

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
    def _one_message(self) -> MessageModel:
        if (self.message is None) == (self.say is None):
            raise ValueError("exactly one of `message` (a name from the rig) and `say` (the message itself) is needed")
        return self


class CueModel(FileModel):
    """What the song tells its track player: a number, and when."""

    player: Name = Field(description="a track player of the rig")
    number: Annotated[int, Whole(0, 16_383)] = Field(description="the number of the cue")
    starts: Literal["with the song", "by press"] = Field(
        "with the song", description="when: `with the song`, or `by press`"
    )


FeetText: TypeAlias = dict[Name, Overrides]
"""What controls do instead, by pedal and control."""


class SectionModel(FileModel):
    """A part of a song with changes of its own, on top of the song's."""

    name: Name = Field(description="the section")
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
    cue: CueModel | None = Field(None, description="what its track player is told")
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
    notes: str | None = Field(None, description="words for people")
