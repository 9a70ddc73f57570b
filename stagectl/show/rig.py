"""The rig file: who is on stage and what is plugged in."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from stagectl.core.actions import NUDGE_STEP_MAX
from stagectl.core.levels import LEVEL_MIN
from stagectl.show.decibels import Ceiling, ChangeText, LevelText
from stagectl.show.messages import SayList
from stagectl.show.values import Duration, FileModel, Host, Name, Whole

INPUTS_MAX = 128
LISTENERS_MAX = 64


class InputModel(FileModel):
    """One line of the input list. `socket`: its number on the desk."""

    name: Name
    socket: Annotated[int, Whole(1, 1024)]
    notes: str | None = None


class ListenerModel(FileModel):
    """A person with an in-ear mix. `ceiling`: the level that no send of this mix passes, dB."""

    name: Name
    mix: Annotated[int, Whole(1, 256)]
    own_input: Name | None = None
    ceiling: Ceiling | None = None
    ceilings: dict[Name, Ceiling] = {}
    notes: str | None = None


class LinkedModel(FileModel):
    """Something on the end of a MIDI port (part of its name) or of an OSC host."""

    port: Name | None = None
    host: Host | None = None

    @model_validator(mode="after")
    def _one_end(self) -> LinkedModel:
        if (self.port is None) == (self.host is None):
            raise ValueError(
                "exactly one of `port` (part of a MIDI port's name) and `host` (HOST:PORT, for OSC) is needed"
            )
        return self


class DeskModel(LinkedModel):
    """The desk. `link`: how fast its MIDI link is; `din` is right for every MIDI cable and safe for USB."""

    profile: Name
    link: Literal["din", "usb"] = "din"


class PedalModel(FileModel):
    """A pedal. `port`: part of its MIDI port's name; `osc port`: the UDP port at which its messages arrive."""

    name: Name
    port: Name | None = None
    osc_port: Annotated[int, Whole(1, 65_535)] | None = None
    mapping: Name
    listener: Name | None = None

    @model_validator(mode="after")
    def _one_end(self) -> PedalModel:
        if (self.port is None) == (self.osc_port is None):
            raise ValueError("exactly one of `port` (part of a MIDI port's name) and `osc port` is needed")
        return self


class PlayerModel(LinkedModel):
    """A track player: what starts a cue and what stops it. `cue` in a message is the song's number."""

    name: Name
    start: SayList
    stop: SayList


class DeviceModel(LinkedModel):
    """Another device that songs and pedals can send messages to."""

    name: Name
    messages: dict[Name, SayList] = {}


class LimitsModel(FileModel):
    """Bounds on what players can do."""

    nudge_floor: Annotated[int, LevelText(can_be_off=False)] = -4_000
    nudge_up: Annotated[int, ChangeText(0, -LEVEL_MIN)] = NUDGE_STEP_MAX
    settle_time: Annotated[int, Duration(5)] = 300_000_000


class RigModel(FileModel):
    """A rig."""

    inputs: list[InputModel] = Field(min_length=1, max_length=INPUTS_MAX)
    listeners: list[ListenerModel] = Field(min_length=1, max_length=LISTENERS_MAX)
    ceiling: Ceiling = 0
    desk: DeskModel
    pedals: list[PedalModel] = Field(default=[], max_length=32)
    players: list[PlayerModel] = Field(default=[], max_length=16)
    devices: list[DeviceModel] = Field(default=[], max_length=32)
    limits: LimitsModel = LimitsModel()
    notes: str | None = None
