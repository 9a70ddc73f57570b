"""Messages that a show sends, and messages that a control sends: how they are written in the files.

Each is a mapping whose first key says what it is: `{program: 5, channel: 2}`, `{osc: /lights/next}`. Numbers are as
on the wire (programs and notes 0 to 127), channels 1 to 16.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Annotated, Any, ClassVar, Literal, TypeAlias

from pydantic import BeforeValidator, Field, Tag

from stagectl.errors import WireError
from stagectl.show.values import (
    Address,
    Channel,
    FileModel,
    Fourteen,
    OrElse,
    Seven,
    Typed,
    Whole,
    kind_by_key,
    number,
    plain,
    said,
)
from stagectl.wire import midi
from stagectl.wire.osc import Argument, build


@dataclass(frozen=True)
class HexText(Typed):
    """SysEx bytes as hexadecimal text, from F0 to F7."""

    def parse(self, typed: Any) -> bytes:
        text = plain(typed)
        if not re.fullmatch(r"([0-9A-Fa-f]{2}\s*)+", text):
            raise ValueError(f"{said(typed)} is not SysEx in hexadecimal, such as `F0 7D 01 F7`")
        try:
            return midi.sysex(bytes.fromhex(text))
        except WireError as error:
            raise ValueError(f"{said(typed)}: {error}") from error

    def schema(self) -> dict[str, Any]:
        return {"type": "string", "pattern": "^[Ff]0( *[0-7][0-9A-Fa-f])+ *[Ff]7$"}


CUE = -1
"""Stands in a player's message where the number of the song's cue goes."""


@dataclass(frozen=True)
class CueOr(Typed):
    """A whole number, or the word `cue` for the number of the song's cue."""

    high: int = 127

    def parse(self, typed: Any) -> int:
        if plain(typed) == "cue":
            return CUE
        try:
            return Whole(0, self.high).parse(typed)
        except ValueError as error:
            raise ValueError(f"{error}, nor `cue`") from error

    def schema(self) -> dict[str, Any]:
        return {"anyOf": [Whole(0, self.high).schema(), {"const": "cue"}]}


class Say(FileModel):
    """A message that goes out."""

    is_osc: ClassVar[bool] = False

    def packets(self, cue: int | None = None) -> tuple[bytes, ...]:
        """The bytes, one message each. `cue` is put where the message says `cue`."""
        raise NotImplementedError


def _with(value: int, cue: int | None) -> int:
    if value != CUE:
        return value
    if cue is None:
        raise WireError("`cue` stands for a number only in the messages of a track player")
    return cue


class SayNote(Say):
    """Note on; with velocity 0 it is note off."""

    note: Annotated[int, CueOr()] = Field(description="0 to 127")
    velocity: Seven = Field(100, description="0 to 127; 0 is note off")
    channel: Channel = Field(description="1 to 16")

    def packets(self, cue: int | None = None) -> tuple[bytes, ...]:
        return (midi.note_on(self.channel, _with(self.note, cue), self.velocity),)


class SayControl(Say):
    """A controller's value."""

    control_change: Seven = Field(description="the controller, 0 to 127")
    value: Annotated[int, CueOr()] = Field(description="0 to 127")
    channel: Channel = Field(description="1 to 16")

    def packets(self, cue: int | None = None) -> tuple[bytes, ...]:
        return (midi.control_change(self.channel, self.control_change, _with(self.value, cue)),)


class SayProgram(Say):
    """A program, after its bank where one is named."""

    program: Annotated[int, CueOr()] = Field(description="0 to 127")
    bank: Fourteen | None = Field(None, description="the bank that is selected first, 0 to 16383")
    channel: Channel = Field(description="1 to 16")

    def packets(self, cue: int | None = None) -> tuple[bytes, ...]:
        return midi.program_change(self.channel, _with(self.program, cue), self.bank)


class SaySysEx(Say):
    """A SysEx message."""

    sysex: Annotated[bytes, HexText()] = Field(description="hexadecimal bytes from F0 to F7")

    def packets(self, cue: int | None = None) -> tuple[bytes, ...]:
        return (self.sysex,)


class SayRealtime(Say):
    """Start, continue or stop."""

    realtime: Literal["start", "continue", "stop"] = Field(description="`start`, `continue` or `stop`")

    def packets(self, cue: int | None = None) -> tuple[bytes, ...]:
        return (midi.realtime(self.realtime),)


class SaySong(Say):
    """Song select."""

    song_select: Annotated[int, CueOr()] = Field(description="0 to 127")

    def packets(self, cue: int | None = None) -> tuple[bytes, ...]:
        return (midi.song_select(_with(self.song_select, cue)),)


INT_TOP = 2**31
"""OSC's whole numbers have 32 bits."""


@dataclass(frozen=True)
class OscValue(Typed):
    """One OSC argument: a whole number (int), a number with a point (float), `yes`/`no` (boolean), else text."""

    def parse(self, typed: Any) -> Argument:
        if typed is None or isinstance(typed, dict | list):
            raise ValueError(f"{said(typed)} stands where a number, `yes`, `no` or a text is needed")
        text = str(typed)
        if text.lower() in ("yes", "true", "no", "false"):
            return text.lower() in ("yes", "true")
        value = number(text)
        if value is None:
            return text
        if "." in text:
            return float(value)
        if not -INT_TOP <= value < INT_TOP:
            raise ValueError(f"{said(typed)} is not a whole number from {-INT_TOP:,} to {INT_TOP - 1:,}")
        return int(value)

    def schema(self) -> dict[str, Any]:
        return {"type": ["number", "string", "boolean"]}


class SayOsc(Say):
    """An OSC message."""

    is_osc: ClassVar[bool] = True
    osc: Address = Field(description="the address")
    arguments: list[Annotated[Argument, OscValue()]] = Field(
        default=[], max_length=16, description="numbers, `yes`, `no` or texts"
    )

    def packets(self, cue: int | None = None) -> tuple[bytes, ...]:
        filled = tuple(_with(CUE, cue) if argument == "cue" else argument for argument in self.arguments)
        return (build(self.osc, filled),)


_SAY: dict[str, type[FileModel]] = {
    "note": SayNote,
    "control change": SayControl,
    "program": SayProgram,
    "sysex": SaySysEx,
    "realtime": SayRealtime,
    "song select": SaySong,
    "osc": SayOsc,
}

AnySay: TypeAlias = Annotated[
    Annotated[SayNote, Tag("note")]
    | Annotated[SayControl, Tag("control change")]
    | Annotated[SayProgram, Tag("program")]
    | Annotated[SaySysEx, Tag("sysex")]
    | Annotated[SayRealtime, Tag("realtime")]
    | Annotated[SaySong, Tag("song select")]
    | Annotated[SayOsc, Tag("osc")],
    kind_by_key(_SAY),
]


def one_or_more(typed: Any) -> Any:
    """A single value counts as a list of one."""
    return typed if typed is None or isinstance(typed, list) else [typed]


SayList: TypeAlias = Annotated[list[AnySay], BeforeValidator(one_or_more), Field(min_length=1, max_length=64), OrElse()]
