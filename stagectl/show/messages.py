"""Messages that a show sends, and messages that a control sends: how they are written in the files.

Each is a mapping whose first key says what it is: `{program: 5, channel: 2}`, `{osc: /lights/next}`. Numbers are as
on the wire (programs and notes 0 to 127), channels 1 to 16.
"""

import re
from typing import Annotated, Any, ClassVar, Literal, TypeAlias

from pydantic import BeforeValidator, Field, Tag

from stagectl.errors import WireError
from stagectl.show.control_messages import SayMachine, SayShow, SaySongPosition

# What is said of all messages is had from here, too.
from stagectl.show.saying import ANY_TRACK as ANY_TRACK
from stagectl.show.saying import NO_NUMBERS, POSITION, STANDS_IN, NumberOrWord, either, milliseconds
from stagectl.show.saying import Numbers as Numbers
from stagectl.show.saying import Say as Say
from stagectl.show.saying import number as stands_for
from stagectl.show.saying import spoken as spoken
from stagectl.show.saying import track_numbers as track_numbers
from stagectl.show.values import (
    Address,
    Channel,
    FileModel,
    Fourteen,
    OrElse,
    Seven,
    Typed,
    kind_by_key,
    number,
    plain,
    said,
)
from stagectl.wire import midi
from stagectl.wire.osc import Argument, build


class HexText(Typed, frozen=True):
    """SysEx bytes as hexadecimal text, from F0 to F7."""

    def parse(self, typed: Any) -> bytes:
        text = plain(typed)
        if not re.fullmatch(r"([0-9A-Fa-f]{2}\s*)+", text):
            raise ValueError(f"{said(typed)} is not SysEx in hexadecimal, such as `F0 7D 01 F7`")
        try:
            return midi.sysex(bytes.fromhex("".join(text.split())))
        except WireError as error:
            raise ValueError(f"{said(typed)}: {error}") from error

    def schema(self) -> dict[str, Any]:
        return {"type": "string", "pattern": "^[Ff]0( *[0-7][0-9A-Fa-f])+ *[Ff]7$"}


class SayNote(Say):
    """Note on; with velocity 0 it is note off."""

    note: Annotated[int, NumberOrWord()] = Field(description="0 to 127")
    velocity: Seven = Field(100, description="0 to 127; 0 is note off")
    channel: Channel = Field(description="1 to 16")

    def packets(self, numbers: Numbers = NO_NUMBERS) -> tuple[bytes, ...]:
        return (midi.note_on(self.channel, either(self.note, numbers), self.velocity),)


class SayControl(Say):
    """A controller's value."""

    control_change: Seven = Field(description="the controller, 0 to 127")
    value: Annotated[int, NumberOrWord()] = Field(description="0 to 127")
    channel: Channel = Field(description="1 to 16")

    def packets(self, numbers: Numbers = NO_NUMBERS) -> tuple[bytes, ...]:
        return (midi.control_change(self.channel, self.control_change, either(self.value, numbers)),)


class SayProgram(Say):
    """A program, after its bank where one is named."""

    program: Annotated[int, NumberOrWord()] = Field(description="0 to 127")
    bank: Fourteen | None = Field(None, description="the bank that is selected first, 0 to 16383")
    channel: Channel = Field(description="1 to 16")

    def packets(self, numbers: Numbers = NO_NUMBERS) -> tuple[bytes, ...]:
        return midi.program_change(self.channel, either(self.program, numbers), self.bank)


class SaySysEx(Say):
    """A SysEx message."""

    sysex: Annotated[bytes, HexText()] = Field(description="hexadecimal bytes from F0 to F7")

    def packets(self, numbers: Numbers = NO_NUMBERS) -> tuple[bytes, ...]:
        return (self.sysex,)


class SayRealtime(Say):
    """Start, continue or stop."""

    realtime: Literal["start", "continue", "stop"] = Field(description="`start`, `continue` or `stop`")

    def packets(self, numbers: Numbers = NO_NUMBERS) -> tuple[bytes, ...]:
        return (midi.realtime(self.realtime),)


class SaySong(Say):
    """Song select."""

    song_select: Annotated[int, NumberOrWord()] = Field(description="0 to 127")

    def packets(self, numbers: Numbers = NO_NUMBERS) -> tuple[bytes, ...]:
        return (midi.song_select(either(self.song_select, numbers)),)


INT_TOP = 2**31
"""OSC's whole numbers have 32 bits."""


class OscValue(Typed, frozen=True):
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

    def packets(self, numbers: Numbers = NO_NUMBERS) -> tuple[bytes, ...]:
        return (build(self.osc, tuple(_filled(argument, numbers) for argument in self.arguments)),)


def _filled(argument: Argument, numbers: Numbers) -> Argument:
    """An argument, or what it stands for: a position is in whole milliseconds."""
    if argument == POSITION:
        return milliseconds(numbers)
    return stands_for(argument, numbers) if isinstance(argument, str) and argument in STANDS_IN else argument


_SAY: dict[str, type[FileModel]] = {
    "note": SayNote,
    "control change": SayControl,
    "program": SayProgram,
    "sysex": SaySysEx,
    "realtime": SayRealtime,
    "song select": SaySong,
    "song position": SaySongPosition,
    "mmc": SayMachine,
    "msc": SayShow,
    "osc": SayOsc,
}

AnySay: TypeAlias = Annotated[
    Annotated[SayNote, Tag("note")]
    | Annotated[SayControl, Tag("control change")]
    | Annotated[SayProgram, Tag("program")]
    | Annotated[SaySysEx, Tag("sysex")]
    | Annotated[SayRealtime, Tag("realtime")]
    | Annotated[SaySong, Tag("song select")]
    | Annotated[SaySongPosition, Tag("song position")]
    | Annotated[SayMachine, Tag("mmc")]
    | Annotated[SayShow, Tag("msc")]
    | Annotated[SayOsc, Tag("osc")],
    kind_by_key(_SAY),
]


def one_or_more(typed: Any) -> Any:
    """A single value counts as a list of one."""
    return typed if typed is None or isinstance(typed, list) else [typed]


SayList: TypeAlias = Annotated[list[AnySay], BeforeValidator(one_or_more), Field(min_length=1, max_length=64), OrElse()]
