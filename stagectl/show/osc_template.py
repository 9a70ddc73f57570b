"""OSC templates: an address and arguments in which words stand for the input, the mix and the value."""

from __future__ import annotations

import re
import struct
from collections.abc import Mapping, Sequence
from contextlib import suppress
from enum import Enum
from typing import Any, Final, Literal, NamedTuple, TypeAlias

from stagectl.errors import WireError
from stagectl.show.messages import OscValue
from stagectl.show.values import Typed, address_of, number, plain, said
from stagectl.show.yamltext import shown
from stagectl.wire.laws import Code
from stagectl.wire.osc import Argument, OscMessage, build


class Word(Enum):
    """What a word among the arguments stands for."""

    INPUT = "input"
    MIX = "mix"
    VALUE = "value"


ValueType: TypeAlias = Literal["float", "int", "string"]

DECIMALS: Final = 6
"""Places behind the point of a value that is said as text."""


class AddressTemplate(Typed, frozen=True):
    """An OSC address in which `{input}` and `{mix}` stand for the input's socket and the mix's number."""

    def parse(self, typed: Any) -> str:
        template = plain(typed)
        for word in re.findall(r"\{([^}]*)\}", template):
            if word not in ("input", "mix"):
                raise ValueError(f"{said(typed)}: `{{{shown(word)}}}` is neither `{{input}}` nor `{{mix}}`")
        address_of(typed, re.sub(r"\{(input|mix)\}", "1", template))
        return template

    def schema(self) -> dict[str, Any]:
        return {"type": "string", "pattern": "^/"}


class ArgumentText(Typed, frozen=True):
    """One argument of a template: `{value}`, `{input}`, `{mix}`, or one that stays the same. `asks`: there is no
    value."""

    asks: bool = False

    def parse(self, typed: Any) -> Argument | Word:
        # YAML reads `[{value}]` as a mapping with an empty key.
        word = next(iter(typed)) if isinstance(typed, dict) and list(typed.values()) == [None] else None
        if word is None:
            written = re.fullmatch(r"\{(.*)\}", plain(typed))
            if written is None:
                return OscValue().parse(typed)
            word = written[1]
        known = [one.value for one in Word if not (self.asks and one is Word.VALUE)]
        if word not in known:
            allowed = " or ".join(f"`{{{one}}}`" for one in known)
            raise ValueError(f"`{{{shown(str(word))}}}` is not {allowed}")
        return Word(word)

    def written(self, value: Argument | Word) -> Argument:
        return f"{{{value.value}}}" if isinstance(value, Word) else value

    def schema(self) -> dict[str, Any]:
        return {"type": ["number", "string", "boolean", "object"]}


Fixed: TypeAlias = tuple[str, Argument]
"""An argument as it is compared: numbers by what an OSC float holds of them, and apart from `yes` and `no`."""


def fixed(argument: Argument) -> Fixed:
    """The argument, to be compared."""
    if isinstance(argument, bool):
        return "flag", argument
    if isinstance(argument, int | float):
        with suppress(OverflowError):
            return "number", float(struct.unpack(">f", struct.pack(">f", argument))[0])
        return "number", None
    return type(argument).__name__, argument


class Shape(NamedTuple):
    """A message but for its value: the address, where the value stands among the arguments (None: there is none), and
    the other arguments."""

    address: str
    hole: int | None
    others: tuple[Fixed, ...]


def shape_of(message: OscMessage, hole: int | None) -> Shape:
    """The shape of a message whose value stands at `hole`."""
    others = tuple(fixed(one) for at, one in enumerate(message.arguments) if at != hole)
    return Shape(message.address, hole, others)


def filled(
    address: str, arguments: Sequence[Argument | Word], words: Mapping[Word, Argument], digits: int
) -> OscMessage:
    """The message with its words filled in; numbers in the address have at least so many digits."""
    for word in (Word.INPUT, Word.MIX):
        address = address.replace(f"{{{word.value}}}", str(words[word]).zfill(digits))
    return OscMessage(address, tuple(words[one] if isinstance(one, Word) else one for one in arguments))


def packet(message: OscMessage) -> bytes:
    """The message's bytes: each argument with the type that it has."""
    return build(message.address, message.arguments, "".join(map(_tag, message.arguments)) or None)


def _tag(argument: Argument) -> str:
    if isinstance(argument, bool):
        return "T" if argument else "F"
    return "i" if isinstance(argument, int) else "f" if isinstance(argument, float) else "s"


def to_argument(code: Code, kind: ValueType) -> Argument:
    """A code as an argument of that type. Raises WireError where it is no whole number of 32 bits."""
    if kind == "int":
        if not -(2**31) <= code < 2**31:
            raise WireError(f"{code} is no number of 32 bits")
        return int(code)
    if kind == "float":
        return float(code)
    text = f"{code:.{DECIMALS}f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def to_code(argument: Argument, kind: ValueType) -> Code | None:
    """The code that an argument says; None where it is of another type. A number may come as float or int."""
    if kind == "string":
        value = number(argument) if isinstance(argument, str) else None
        return None if value is None else float(value)
    return argument if isinstance(argument, int | float) and not isinstance(argument, bool) else None
