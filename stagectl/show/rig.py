"""The rig file: who is on stage and what is plugged in."""

from typing import Annotated, Literal, Self, TypeAlias

from pydantic import Field, model_validator

from stagectl.core.actions import NUDGE_STEP_MAX
from stagectl.core.levels import LEVEL_MIN
from stagectl.show.clock_values import HOUR_NS, MINUTE_NS, SpanText
from stagectl.show.control_messages import RateWord
from stagectl.show.decibels import Ceiling, ChangeText, LevelText, RateText
from stagectl.show.exposure import ExposureModel, MeasuredModel
from stagectl.show.messages import SayList
from stagectl.show.sender import Sender
from stagectl.show.values import Duration, FileModel, Flag, Host, Name, Whole

INPUTS_MAX = 128
LISTENERS_MAX = 64
SOCKETS_MAX = 1_024
MIXES_MAX = 256

OUTPUTS_MAX = 64

TOLD = ("start", "stop", "pause", "go on", "start here")
"""What a track player over a wire can be told, as the rig says it."""

Side: TypeAlias = Literal["direct", "isolated"]
"""A side of a split: joined to the microphone's line, or behind a transformer (or a buffer)."""

RISE_MIN = 300
"""The slowest that levels may be told to rise: 3 dB a second, or a scene would take longer than its song's intro."""

RISE_MAX = 100_000

GroupText: TypeAlias = Annotated[list[Name], Field(min_length=1, max_length=INPUTS_MAX)]
"""The inputs of a group."""


class InputModel(FileModel):
    """One line of the input list. `socket`: its number on the desk. `phantom`: whether it cannot do without phantom
    power or must not get any, by its own manual; nothing where it does not care or feeds itself. `split`: whether its
    line goes through the rig's `split`."""

    name: Name = Field(description="what the setlist calls it")
    socket: Annotated[int, Whole(1, SOCKETS_MAX)] = Field(description="its number on the desk")
    phantom: Literal["needed", "never"] | None = Field(
        None,
        description="phantom power (48 V), by its own manual: `needed`, or `never` where it must not get any; left out "
        "where it does not care, or has a battery or a supply of its own",
    )
    split: Flag = Field(True, description="whether it goes through the `split`: `no` where only this desk hears it")
    notes: str | None = Field(None, description="words for people")


class ListenerModel(FileModel):
    """A person with an in-ear mix. `ceiling`: the level that no send of this mix passes, dB; nor does its whole mix,
    where the setlist moves that."""

    name: Name = Field(description="what the setlist calls the person")
    mix: Annotated[int, Whole(1, MIXES_MAX)] = Field(description="the number of their mix on the desk")
    own_input: Name | None = Field(None, description="their own input, which `own` means")
    leads_with: Name | None = Field(
        None, description="the input that they have to hear above the others; their own (`own`) where left out"
    )
    ceiling: Ceiling | None = Field(
        None,
        description="the level that no send of this mix passes, nor its `whole mix` where the setlist moves that, dB; "
        "the rig's where left out",
    )
    mix_ceiling: Ceiling | None = Field(
        None, description="the level that this mix as a sum never passes, dB; the rig's where left out"
    )
    ceilings: dict[Name, Ceiling] = Field(
        {}, description="ceilings of single inputs, of `own` or of the `whole mix`, dB"
    )
    measured: MeasuredModel | None = Field(None, description="a level that was measured at this listener's ear")
    notes: str | None = Field(None, description="words for people")


class LinkedModel(FileModel):
    """Something on the end of a MIDI port (part of its name) or of an OSC host."""

    port: Name | None = Field(None, description="any part of its MIDI port's name")
    host: Host | None = Field(None, description="where it listens for OSC, HOST:PORT")

    @model_validator(mode="after")
    def _one_end(self) -> Self:
        if (self.port is None) == (self.host is None):
            raise ValueError(
                "exactly one of `port` (part of a MIDI port's name) and `host` (HOST:PORT, for OSC) is needed"
            )
        return self


class DeskModel(LinkedModel):
    """The desk. `link`: how fast its MIDI link is; `din` is right for every MIDI cable and safe for USB. `sockets`,
    `mixes`: how many it has, where that is to be checked. `phantom`: the sockets at which phantom power is on."""

    profile: Name = Field(
        description="a file beside this one or a profile that ships with the program, without `.yaml`"
    )
    link: Literal["din", "usb"] = Field(
        "din", description="how fast its MIDI link is: `din` for every MIDI cable, and safe for USB"
    )
    sockets: Annotated[int, Whole(1, SOCKETS_MAX)] | None = Field(None, description="how many input sockets it has")
    mixes: Annotated[int, Whole(1, MIXES_MAX)] | None = Field(None, description="how many mixes it has")
    phantom: list[Annotated[int, Whole(1, SOCKETS_MAX)]] = Field(
        [], max_length=SOCKETS_MAX, description="the sockets at which phantom power (48 V) is switched on"
    )
    backup_every: Annotated[int, SpanText(MINUTE_NS, 12 * HOUR_NS, none="no")] | None = Field(
        None,
        description="how often its levels are written to a file beside the journal, such as `10 min`, or `no`; left "
        "out, every 10 min where they can be read",
    )


class SplitModel(FileModel):
    """The split: this desk hears one side of it, another desk (for the audience) the other. Of the usual split with a
    transformer one side is direct and the other isolated (common practice, no source); both are isolated where it is
    buffered, both direct where it is plain wire."""

    side: Side = Field(
        description="the side that this desk is on: `direct`, or `isolated` by a transformer or a buffer"
    )
    other_side: Side | None = Field(
        None, description="the side that the other desk is on; left out, it is the one that this desk is not on"
    )
    other_phantom: list[Name] = Field(
        [], max_length=INPUTS_MAX, description="the inputs at which the other desk has phantom power (48 V) switched on"
    )
    phantom: list[Name] = Field(
        [], max_length=INPUTS_MAX, description="the inputs that the split itself feeds with phantom power (48 V)"
    )

    @property
    def other(self) -> Side:
        """The side that the other desk is on."""
        return self.other_side or ("isolated" if self.side == "direct" else "direct")


class PedalModel(FileModel):
    """A pedal. `port`: part of its MIDI port's name; `osc port`: the UDP port at which its messages arrive, and `from`
    the only host from which they are taken; `keyboard`: part of the name under which a pedal of keyboard type is known
    to the system. Its lamps are told at its `port`, unless `lamps port` or `lamps host` says otherwise."""

    name: Name = Field(description="what messages and scripts call it")
    port: Name | None = Field(None, description="any part of its MIDI port's name")
    osc_port: Annotated[int, Whole(1, 65_535)] | None = Field(
        None, description="the UDP port at which its OSC messages arrive"
    )
    from_: Sender = Field(
        default_factory=lambda: None,
        description="the only host from which its OSC messages are taken, an IPv4 address or a name; left out, any "
        "that is no other pedal's",
    )
    keyboard: Name | None = Field(
        None, description="any part of the name under which the system knows a pedal of keyboard type"
    )
    mapping: Name = Field(
        description="a file beside this one or a mapping that ships with the program, without `.yaml`"
    )
    listener: Name | None = Field(None, description="whose foot is on it")
    lamps_port: Name | None = Field(
        None, description="any part of the name of the MIDI port for its lamps, where it is not that of `port`"
    )
    lamps_host: Host | None = Field(None, description="where it listens for what its lamps show over OSC, HOST:PORT")

    @model_validator(mode="after")
    def _one_end(self) -> Self:
        if sum(end is not None for end in (self.port, self.osc_port, self.keyboard)) != 1:
            raise ValueError(
                "exactly one of `port` (part of a MIDI port's name), `osc port` and `keyboard` (part of its name) "
                "is needed"
            )
        if self.from_ is not None and self.osc_port is None:
            raise ValueError("`from` (the host of its OSC messages) means nothing without an `osc port`")
        if self.lamps_port is not None and self.lamps_host is not None:
            raise ValueError("one of `lamps port` (over MIDI) and `lamps host` (over OSC) is enough")
        return self

    @property
    def lamps_end(self) -> LinkedModel | None:
        """Where its lamps are told: where the rig says so, or at its own MIDI port; None where there is no such end."""
        port = self.lamps_port or self.port
        if self.keyboard is not None or (port is None and self.lamps_host is None):
            return None
        return LinkedModel.model_construct(port=None if self.lamps_host else port, host=self.lamps_host)


class SoundModel(FileModel):
    """The sound device of the built-in player. `outputs`: its outputs by names of your own; `click`: the one for a
    click that is made where a song brings none."""

    device: Name | None = Field(None, description="any part of its name; the system's own choice where left out")
    outputs: dict[Name, Annotated[int, Whole(1, OUTPUTS_MAX)]] = Field(
        {"left": 1, "right": 2},
        min_length=1,
        max_length=OUTPUTS_MAX,
        description="its outputs, counted from 1, by names of your own",
    )
    click: Name | None = Field(
        None, description="the output for the count-in and the click that are made from a song's tempo"
    )
    rate: Annotated[int, Whole(8_000, 192_000)] | None = Field(
        None, description="frames a second; the device's own where left out"
    )
    frames: Annotated[int, Whole(16, 8_192)] | None = Field(
        None, description="frames of a buffer; the device's own where left out"
    )


class PlayerModel(FileModel):
    """A track player: over a wire (`port`, `host`), what starts a cue and what stops it, where `cue` in a message is
    the song's number; or the built-in one (`sound`)."""

    name: Name = Field(description="what the setlist calls it")
    port: Name | None = Field(None, description="any part of its MIDI port's name")
    host: Host | None = Field(None, description="where it listens for OSC, HOST:PORT")
    sound: SoundModel | None = Field(None, description="the built-in player, at a sound device")
    start: SayList | None = Field(None, description="the messages that start a cue; `cue` stands for its number")
    stop: SayList | None = Field(None, description="the messages that stop it")
    pause: SayList | None = Field(None, description="the messages that pause it, where it can")
    go_on: SayList | None = Field(None, description="the messages that have it go on after a pause")
    start_here: SayList | None = Field(
        None, description="the messages that start a cue elsewhere than at its beginning; `position` stands for where"
    )
    follow: Literal["clock", "time code"] | None = Field(
        None,
        description="how it says where it is, which is followed then: MIDI `clock` (with song position, start, "
        "continue and stop) or MIDI `time code`",
    )
    follow_port: Name | None = Field(
        None, description="any part of the name of the MIDI port that it says so on, where it is not that of `port`"
    )

    @model_validator(mode="after")
    def _one_end(self) -> Self:
        if sum(end is not None for end in (self.port, self.host, self.sound)) != 1:
            raise ValueError(
                "exactly one of `port` (part of a MIDI port's name), `host` (HOST:PORT, for OSC) and `sound` (the "
                "built-in player) is needed"
            )
        says = [word for word in TOLD if getattr(self, word.replace(" ", "_")) is not None]
        if self.sound is not None:
            wrong = [*says, *(["follow"] if self.follow else []), *(["follow port"] if self.follow_port else [])]
            if wrong:
                raise ValueError(f"the built-in player is told nothing over a wire: `{wrong[0]}` has no meaning here")
            return self
        for word in ("start", "stop"):
            if word not in says:
                raise ValueError(f"`{word}` is missing here: the messages that {word} a cue")
        if ("pause" in says) is not ("go on" in says):
            raise ValueError("`pause` and `go on` are needed both, or neither")
        if self.follow is not None and self.port is None and self.follow_port is None:
            raise ValueError("a player over OSC says where it is on a MIDI port: `follow port` is missing here")
        if self.follow is None and self.follow_port is not None:
            raise ValueError("`follow port` means nothing without `follow` (`clock` or `time code`)")
        return self

    @property
    def end(self) -> LinkedModel | None:
        """The wire that it is told things over; None for the built-in one."""
        if self.sound is not None:
            return None
        return LinkedModel.model_construct(port=self.port, host=self.host)

    def told(self, word: str) -> SayList:
        """The messages under a word of `TOLD`."""
        return getattr(self, word.replace(" ", "_")) or []


class DeviceModel(LinkedModel):
    """Another device that songs and pedals can send messages to, or that goes along with the tracks. `clock`: it gets
    MIDI clock; `time code`: MIDI time code, with so many frames a second."""

    name: Name = Field(description="what the setlist and the mappings call it")
    messages: dict[Name, SayList] = Field({}, description="what it can be told, by name")
    clock: Flag = Field(False, description="whether it gets MIDI clock while a track with a `tempo` runs")
    time_code: Annotated[str, RateWord()] | None = Field(
        None, description="frames a second of the MIDI time code that it gets while a track runs; none where left out"
    )

    @model_validator(mode="after")
    def _clock_is_midi(self) -> Self:
        if self.port is None and (self.clock or self.time_code is not None):
            raise ValueError("`clock` and `time code` go over MIDI: they need a `port`")
        return self


class LimitsModel(FileModel):
    """Bounds on what players can do."""

    nudge_floor: Annotated[int, LevelText(can_be_off=False)] = Field(
        -4_000, description="the lowest level that a nudge goes down to, dB"
    )
    nudge_up: Annotated[int, ChangeText(0, -LEVEL_MIN)] = Field(
        NUDGE_STEP_MAX, description="how far nudges may raise a level above its scene, dB"
    )
    jump: Annotated[int, ChangeText(100, -LEVEL_MIN)] = Field(
        2_400, description="how far a change of place may raise a level that is on, or a mix as a sum, dB"
    )
    settle_time: Annotated[int, Duration(5)] = Field(300_000_000, description="how long a second `next` is ignored")
    rise: Annotated[int, RateText(RISE_MIN, RISE_MAX)] = Field(
        5_000, description="how fast any level may rise, dB a second"
    )
    room: Annotated[int, ChangeText(0, 2_400)] = Field(
        600, description="how far the rest of a mix may come down to make room for one input, dB"
    )
    hush: Annotated[int, ChangeText(600, 6_000)] = Field(2_000, description="how far down a hush takes a mix, dB")
    gentle: Annotated[int, Duration(30)] = Field(
        3_000_000_000, description="how long it takes to come back from a hush, and to fall back"
    )


class ClarityModel(FileModel):
    """When `check` warns of a mix that is not clear. The defaults are common practice, no source."""

    above: Annotated[int, LevelText(can_be_off=False)] = Field(
        -1_200, description="how far the input that a listener leads with may stand below the rest together, dB"
    )
    rivals: Annotated[int, Whole(0, INPUTS_MAX)] = Field(
        9, description="how many inputs may compete with it: stand at most 6 dB below it, or above it"
    )


class RigModel(FileModel):
    """A rig."""

    inputs: list[InputModel] = Field(min_length=1, max_length=INPUTS_MAX, description="the input list")
    listeners: list[ListenerModel] = Field(min_length=1, max_length=LISTENERS_MAX, description="who has an in-ear mix")
    ceiling: Ceiling = Field(
        0, description="the level that no send of any mix passes, dB, where a listener says nothing else"
    )
    mix_ceiling: Ceiling = Field(
        1_000, description="the level that no mix passes as a sum, dB, where a listener says nothing else"
    )
    groups: dict[Name, GroupText] = Field(
        {}, description="inputs that are nudged and set together, by the name of the group"
    )
    desk: DeskModel = Field(description="the desk")
    split: SplitModel | None = Field(
        None, description="the split, where another desk hears the same microphones; left out, there is none"
    )
    pedals: list[PedalModel] = Field(default=[], max_length=32, description="the pedals")
    players: list[PlayerModel] = Field(default=[], max_length=16, description="the track players")
    devices: list[DeviceModel] = Field(
        default=[], max_length=32, description="other devices that can be told something"
    )
    # Defaults are not checked, so that their models need not be put together.
    limits: LimitsModel = Field(LimitsModel.model_construct(), description="bounds on what players can do")
    exposure: ExposureModel = Field(
        ExposureModel.model_construct(), description="by what the exposure of the listeners' ears is estimated"
    )
    clarity: ClarityModel = Field(
        ClarityModel.model_construct(), description="when `check` warns of a mix that is not clear"
    )
    notes: str | None = Field(None, description="words for people")
