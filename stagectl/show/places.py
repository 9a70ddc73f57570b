"""Where on the wire a level is said: a controller, a parameter, a SysEx template or an OSC message."""

from typing import Annotated, ClassVar, Final, TypeAlias

from pydantic import Field, Tag, field_validator

from stagectl.errors import WireError
from stagectl.show.numbering import Number, Numbering
from stagectl.show.osc_template import (
    AddressTemplate,
    ArgumentText,
    Shape,
    ValueType,
    Word,
    filled,
    packet,
    shape_of,
    to_argument,
)
from stagectl.show.sysex_template import INPUT, MIX, Template, TemplateText
from stagectl.show.value_laws import FOURTEEN, FOURTEEN_IN_TWO, OSC_WHOLE, REAL, SEVEN, TWENTY_ONE, Codes
from stagectl.show.values import FileModel, Flag, Whole, kind_by_key
from stagectl.wire import laws, midi
from stagectl.wire.osc import Argument, OscMessage

ARGUMENTS_MAX: Final = 16


class Place(FileModel):
    """Where on the wire a level is said. `word`: the key that tells this kind from others."""

    word: ClassVar[str]

    @property
    def codes(self) -> Codes:
        """The values that it carries."""
        raise NotImplementedError

    def packets(self, socket: int, mix: int, code: laws.Code) -> tuple[bytes, ...]:
        """The messages for one value; WireError where a number leaves its range."""
        raise NotImplementedError


class OnChannel(Place):
    """A place on a MIDI channel."""

    channel: Number = Field(description="the MIDI channel, 1 to 16")


class ByControl(OnChannel):
    """A 7-bit controller, 0 to 119: from 120 on they are channel mode messages (MIDI 1.0)."""

    word: ClassVar[str] = "control change"
    control_change: Number = Field(description="the controller, 0 to 119")

    @property
    def codes(self) -> Codes:
        """7 bits."""
        return SEVEN

    def packets(self, socket: int, mix: int, code: laws.Code) -> tuple[bytes, ...]:
        channel, control = self.channel.at(socket, mix), self.control_change.at(socket, mix)
        if control >= midi.CHANNEL_MODE:
            raise WireError(f"controller {control} is outside 0 to {midi.CHANNEL_MODE - 1}")
        return (midi.control_change(channel, control, int(code)),)


class ByControlPair(OnChannel):
    """A 14-bit controller: 0-31 for the MSB, 32 more for the LSB."""

    word: ClassVar[str] = "control change pair"
    control_change_pair: Number = Field(
        description="the controller of the coarse part, 0 to 31; the fine part is 32 more"
    )

    @property
    def codes(self) -> Codes:
        """14 bits in two messages."""
        return FOURTEEN_IN_TWO

    def packets(self, socket: int, mix: int, code: laws.Code) -> tuple[bytes, ...]:
        channel, control = self.channel.at(socket, mix), self.control_change_pair.at(socket, mix)
        return midi.control_change_14(channel, control, int(code))


class ByParameter(OnChannel):
    """A parameter with a 14-bit value: two messages select it, two more say the value."""

    registered: ClassVar[bool]
    kept: Flag = Field(
        False, description="whether a parameter stays selected, so that only what changed is selected anew"
    )

    @property
    def codes(self) -> Codes:
        """14 bits in two messages."""
        return FOURTEEN_IN_TWO

    @property
    def parameter(self) -> Numbering:
        """Its number."""
        raise NotImplementedError


class ByNrpn(ByParameter):
    """A non-registered parameter."""

    word: ClassVar[str] = "nrpn"
    registered: ClassVar[bool] = False
    nrpn: Number = Field(description="the parameter's number, 0 to 16383")

    @property
    def parameter(self) -> Numbering:
        """Its number."""
        return self.nrpn

    def packets(self, socket: int, mix: int, code: laws.Code) -> tuple[bytes, ...]:
        return midi.nrpn(self.channel.at(socket, mix), self.nrpn.at(socket, mix), int(code))


class ByRpn(ByParameter):
    """A registered parameter."""

    word: ClassVar[str] = "rpn"
    registered: ClassVar[bool] = True
    rpn: Number = Field(description="the parameter's number, 0 to 16382")

    @property
    def parameter(self) -> Numbering:
        """Its number."""
        return self.rpn

    def packets(self, socket: int, mix: int, code: laws.Code) -> tuple[bytes, ...]:
        return midi.rpn(self.channel.at(socket, mix), self.rpn.at(socket, mix), int(code))


class SysExMessage(FileModel):
    """A SysEx template with the numbers that its words `{input}` and `{mix}` stand for; counted from 0 where nothing
    else is said, as bytes mostly are."""

    sysex: Template
    input: Number = Field(
        Numbering.model_construct(first=0, per_input=1), description="the number that `{input}` stands for"
    )
    mix: Number = Field(Numbering.model_construct(first=0, per_mix=1), description="the number that `{mix}` stands for")

    def words(self, socket: int, mix: int) -> dict[str, int]:
        """The numbers for an input's socket and a mix, for the words that stand in the template."""
        numbers = {INPUT: self.input, MIX: self.mix}
        return {word: number.at(socket, mix) for word, number in numbers.items() if word in self.sysex.words}


class BySysEx(SysExMessage, Place):
    """A SysEx template."""

    word: ClassVar[str] = "sysex"
    sysex: Annotated[Template, TemplateText()] = Field(
        description="hexadecimal bytes with `{input}`, `{mix}` and `{value}` (or `{value msb}`, `{value lsb}`)"
    )

    @property
    def codes(self) -> Codes:
        """Seven bits a byte."""
        return (SEVEN, FOURTEEN, TWENTY_ONE)[len(self.sysex.value_words) - 1]

    def packets(self, socket: int, mix: int, code: laws.Code) -> tuple[bytes, ...]:
        return (self.sysex.fill(self.words(socket, mix), int(code)),)


class AskBySysEx(SysExMessage):
    """A question by SysEx: a template with no value in it."""

    sysex: Annotated[Template, TemplateText(asks=True)] = Field(
        description="hexadecimal bytes with `{input}` and `{mix}`"
    )

    def packet(self, socket: int, mix: int) -> bytes:
        """The question for an input's socket and a mix. WireError where a number leaves its range."""
        return self.sysex.fill(self.words(socket, mix))


class OscWords(FileModel):
    """An OSC address and arguments with the numbers that the words `{input}` and `{mix}` stand for."""

    osc: Annotated[str, AddressTemplate()] = Field(description="the address, with `{input}` and `{mix}` in it")
    input: Number = Field(
        Numbering.model_construct(first=1, per_input=1), description="the number that `{input}` stands for"
    )
    mix: Number = Field(Numbering.model_construct(first=1, per_mix=1), description="the number that `{mix}` stands for")
    digits: Annotated[int, Whole(1, 4)] = Field(
        1, description="how many digits these numbers have in the address at least: 2 for `07`"
    )

    def message(self, arguments: list[Argument | Word], socket: int, mix: int, value: Argument = None) -> OscMessage:
        """The message for an input's socket and a mix."""
        words: dict[Word, Argument] = {Word.VALUE: value}
        for word, number in ((Word.INPUT, self.input), (Word.MIX, self.mix)):
            stands = f"{{{word.value}}}" in self.osc or word in arguments
            words[word] = number.at(socket, mix) if stands else 0
        return filled(self.osc, arguments, words, self.digits)


class ByOsc(OscWords, Place):
    """An OSC address, and the arguments with the value among them."""

    word: ClassVar[str] = "osc"
    arguments: list[Annotated[Argument | Word, ArgumentText()]] = Field(
        default=[Word.VALUE],
        min_length=1,
        max_length=ARGUMENTS_MAX,
        description="numbers, `yes`, `no` or texts, with `{value}` where the value goes; `{input}` and `{mix}` too",
    )
    type: ValueType = Field("float", description="the type of the value")

    @field_validator("arguments")
    @classmethod
    def _one_value(cls, arguments: list[Argument | Word]) -> list[Argument | Word]:
        if arguments.count(Word.VALUE) != 1:
            raise ValueError("`{value}` stands among the arguments once")
        return arguments

    @property
    def codes(self) -> Codes:
        """Real numbers, or whole ones."""
        return OSC_WHOLE if self.type == "int" else REAL

    def packets(self, socket: int, mix: int, code: laws.Code) -> tuple[bytes, ...]:
        return (packet(self.message(self.arguments, socket, mix, to_argument(code, self.type))),)

    @property
    def hole(self) -> int:
        """Where the value stands among the arguments."""
        return self.arguments.index(Word.VALUE)

    def shape(self, socket: int, mix: int) -> Shape:
        """What tells the message for an input's socket and a mix from others."""
        return shape_of(self.message(self.arguments, socket, mix), self.hole)


class AskByOsc(OscWords):
    """A question by OSC: an address, with arguments where the desk wants some."""

    arguments: list[Annotated[Argument | Word, ArgumentText(asks=True)]] = Field(
        default=[],
        max_length=ARGUMENTS_MAX,
        description="numbers, `yes`, `no` or texts; `{input}` and `{mix}` too",
    )

    def packet(self, socket: int, mix: int) -> bytes:
        """The question for an input's socket and a mix. WireError where a number leaves its range."""
        return packet(self.message(self.arguments, socket, mix))


_PLACES: dict[str, type[FileModel]] = {
    place.word: place for place in (ByControl, ByControlPair, ByNrpn, ByRpn, BySysEx, ByOsc)
}

AnyPlace: TypeAlias = Annotated[
    Annotated[ByControl, Tag("control change")]
    | Annotated[ByControlPair, Tag("control change pair")]
    | Annotated[ByNrpn, Tag("nrpn")]
    | Annotated[ByRpn, Tag("rpn")]
    | Annotated[BySysEx, Tag("sysex")]
    | Annotated[ByOsc, Tag("osc")],
    kind_by_key(_PLACES),
]

_ASKS: dict[str, type[FileModel]] = {"sysex": AskBySysEx, "osc": AskByOsc}

AnyQuestion: TypeAlias = Annotated[
    Annotated[AskBySysEx, Tag("sysex")] | Annotated[AskByOsc, Tag("osc")], kind_by_key(_ASKS)
]
