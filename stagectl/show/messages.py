"""Messages that a show sends, and messages that a control sends: how they are written in the files.

Each is a mapping whose first key says what it is: `{program: 5, channel: 2}`, `{osc: /lights/next}`. Numbers are as
on the wire (programs and notes 0 to 127), channels 1 to 16.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Annotated, Any, ClassVar, Final, Literal, TypeAlias

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


STANDS_IN: Final[Mapping[str, str]] = {
    "cue": "in the messages of a track player",
    "song": "in the `say` of a lamp that shows the song number",
}
"""The words that stand for a number, and where they do: for the number of the song's cue, and of the song."""

_CODES: Final = {word: -1 - at for at, word in enumerate(STANDS_IN)}
"""How a model holds such a word: as a number that no message has."""

_WORDS: Final = {code: word for word, code in _CODES.items()}

Numbers: TypeAlias = Mapping[str, int]
"""The numbers that words stand for in a message, where they do."""

NO_NUMBERS: Final[Numbers] = MappingProxyType({})


@dataclass(frozen=True)
class NumberOrWord(Typed):
    """A whole number, or a word that stands for one."""

    high: int = 127

    def parse(self, typed: Any) -> int:
        code = _CODES.get(plain(typed))
        if code is not None:
            return code
        try:
            return Whole(0, self.high).parse(typed)
        except ValueError as error:
            raise ValueError(f"{error}, nor {' or '.join(f'`{word}`' for word in STANDS_IN)}") from error

    def schema(self) -> dict[str, Any]:
        return {"anyOf": [Whole(0, self.high).schema(), {"enum": list(STANDS_IN)}]}


class Say(FileModel):
    """A message that goes out."""

    is_osc: ClassVar[bool] = False

    def packets(self, numbers: Numbers = NO_NUMBERS) -> tuple[bytes, ...]:
        """The bytes, one message each. `numbers`: what the words in it stand for. Raises WireError where a word stands
        for nothing here, or for a number that the message cannot hold."""
        raise NotImplementedError


def spoken(says: Iterable[Say], numbers: Numbers = NO_NUMBERS) -> tuple[bytes, ...]:
    """The bytes of some messages, one after the other. Raises WireError as `Say.packets` does."""
    return tuple(packet for say in says for packet in say.packets(numbers))


def _with(value: int, numbers: Numbers) -> int:
    return value if value not in _WORDS else _number(_WORDS[value], numbers)


def _number(word: str, numbers: Numbers) -> int:
    if word not in numbers:
        raise WireError(f"`{word}` stands for a number only {STANDS_IN[word]}")
    return numbers[word]


class SayNote(Say):
    """Note on; with velocity 0 it is note off."""

    note: Annotated[int, NumberOrWord()] = Field(description="0 to 127")
    velocity: Seven = Field(100, description="0 to 127; 0 is note off")
    channel: Channel = Field(description="1 to 16")

    def packets(self, numbers: Numbers = NO_NUMBERS) -> tuple[bytes, ...]:
        return (midi.note_on(self.channel, _with(self.note, numbers), self.velocity),)


class SayControl(Say):
    """A controller's value."""

    control_change: Seven = Field(description="the controller, 0 to 127")
    value: Annotated[int, NumberOrWord()] = Field(description="0 to 127")
    channel: Channel = Field(description="1 to 16")

    def packets(self, numbers: Numbers = NO_NUMBERS) -> tuple[bytes, ...]:
        return (midi.control_change(self.channel, self.control_change, _with(self.value, numbers)),)


class SayProgram(Say):
    """A program, after its bank where one is named."""

    program: Annotated[int, NumberOrWord()] = Field(description="0 to 127")
    bank: Fourteen | None = Field(None, description="the bank that is selected first, 0 to 16383")
    channel: Channel = Field(description="1 to 16")

    def packets(self, numbers: Numbers = NO_NUMBERS) -> tuple[bytes, ...]:
        return midi.program_change(self.channel, _with(self.program, numbers), self.bank)


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
        return (midi.song_select(_with(self.song_select, numbers)),)


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

    def packets(self, numbers: Numbers = NO_NUMBERS) -> tuple[bytes, ...]:
        filled = tuple(
            _number(argument, numbers) if isinstance(argument, str) and argument in STANDS_IN else argument
            for argument in self.arguments
        )
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
