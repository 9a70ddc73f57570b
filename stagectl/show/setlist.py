"""The setlist file: the scenes that the night steps through."""

from __future__ import annotations

from typing import Annotated, Literal, TypeAlias

from pydantic import Field, model_validator

from stagectl.show.decibels import LayerChange, SendLevel
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

    to: Name
    message: Name | None = None
    say: SayList | None = None

    @model_validator(mode="after")
    def _one_message(self) -> MessageModel:
        if (self.message is None) == (self.say is None):
            raise ValueError("exactly one of `message` (a name from the rig) and `say` (the message itself) is needed")
        return self


class CueModel(FileModel):
    """What the song tells its track player: a number, and when."""

    player: Name
    number: Annotated[int, Whole(0, 16_383)]
    starts: Literal["with the song", "by press"] = "with the song"


class SectionModel(FileModel):
    """A part of a song with changes of its own, on top of the song's."""

    name: Name
    levels: LayerTexts = {}
    fade: Fade | None = None
    messages: list[MessageModel] = []
    notes: str | None = None


class SongModel(FileModel):
    """A song: its changes to the base, then its sections in order."""

    name: Name
    levels: LayerTexts = {}
    fade: Fade | None = None
    cue: CueModel | None = None
    messages: list[MessageModel] = []
    stored_scene: Annotated[int, Whole(1, 16_384)] | None = None
    sections: list[SectionModel] = Field(default=[], max_length=SECTIONS_MAX)
    notes: str | None = None


class SceneModel(FileModel):
    """A named scene that a pedal can recall over any song."""

    levels: LayerTexts
    fade: Fade | None = None


class SetlistModel(FileModel):
    """A setlist."""

    title: Name
    rig: Name
    base: BaseText
    venues: dict[Name, LayerTexts] = {}
    scenes: dict[Name, SceneModel] = {}
    fade: Fade = 0
    songs: list[SongModel] = Field(min_length=1, max_length=SONGS_MAX)
    notes: str | None = None
