"""The values that a musician types, as types of the models: each parses its text, says its range where it
refuses, and describes itself in the JSON Schema."""

import re
from collections.abc import Mapping
from contextvars import ContextVar
from decimal import Decimal
from typing import Annotated, Any, ClassVar, Final, TypeAlias

from msgspec import Struct
from pydantic import BaseModel, ConfigDict, Discriminator, GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import CoreSchema, core_schema

from stagectl.errors import WireError
from stagectl.show.yamltext import shown
from stagectl.wire.osc import check_address

NAME_MAX: Final = 200
"""The longest name, characters."""

NUMBER_MAX: Final = 40
"""The longest number, characters: sound ones need a few."""


_putting_together: Final = ContextVar("_putting_together", default=False)


class FileModel(BaseModel):
    """A part of a file: unknown keys are faults, and keys are written with spaces.

    Most files have few of the parts that there could be, so a model is put together when the first such part is read:
    until then it stands in the others as a function. (All of them together would take a third of the start.)
    """

    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        alias_generator=lambda name: name.rstrip("_").replace("_", " "),
        defer_build=True,
    )

    put_together_late: ClassVar[bool] = True

    @classmethod
    def __get_pydantic_core_schema__(cls, source: type[BaseModel], handler: GetCoreSchemaHandler) -> CoreSchema:
        if _putting_together.get() and cls.put_together_late:
            name = f"{cls.__module__}.{cls.__qualname__}:{id(cls)}"
            return core_schema.no_info_plain_validator_function(cls.model_validate, ref=name)
        token = _putting_together.set(True)
        try:
            return handler(source)
        finally:
            _putting_together.reset(token)

    @classmethod
    def __get_pydantic_json_schema__(cls, schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        return handler(cls.__pydantic_core_schema__ if schema["type"] == "function-plain" else schema)


class OfKinds:
    """The base of what stands for a union of models that are made when the first of their kind is read."""

    @classmethod
    def options(cls) -> list[Any]:
        """The union's options: each model with the tag that tells it. Makes them all."""
        raise NotImplementedError


NEEDS_KIND: Final = "needs_kind"
"""The type of the error where a mapping has none of the keys that tell its kind. Its message is these keys."""


def kind_by_key(models: Mapping[str, type[FileModel]]) -> Discriminator:
    """Tells variants of a mapping apart: the kind is the key that is there."""

    def kind(typed: Any) -> str | None:
        if isinstance(typed, dict):
            return next((key for key in models if key in typed), None)
        return next((key for key, model in models.items() if isinstance(typed, model)), None)

    return Discriminator(kind, NEEDS_KIND, ", ".join(f"`{word}`" for word in models))


class OrElse(Struct, frozen=True):
    """Says in the JSON Schema how else a value may be written: as one of a few words, as a value of a simple type, or
    (where neither is given) as an entry of its list standing alone."""

    words: tuple[str, ...] = ()
    type: str | None = None

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        made = handler(schema)
        simple = None if self.type is None else {"type": self.type}
        also = {"enum": list(self.words)} if self.words else simple or made["items"]
        return {"anyOf": [made, also]}


class Typed(Struct, frozen=True):
    """The base of the value types: `parse` takes what was typed and raises ValueError with what is allowed.
    `written` is its way back: a value as it stands in a file."""

    def parse(self, typed: Any) -> Any:
        """The value."""
        raise NotImplementedError

    def written(self, value: Any) -> Any:
        """The value as a user writes it, such as `3` (s) for 3,000,000,000 ns."""
        return value

    def schema(self) -> dict[str, Any]:
        """Its JSON Schema."""
        raise NotImplementedError

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(self.parse)

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        return self.schema()


def said(typed: Any) -> str:
    """What was typed, as a fault names it."""
    if typed is None:
        return "an empty value"
    if isinstance(typed, dict | list):
        return "a list" if isinstance(typed, list) else "a mapping"
    return f"`{shown(str(typed))}`" if str(typed) else "an empty text"


def plain(typed: Any) -> str:
    """The text that was typed, without space around it; nothing, lists and mappings have none."""
    return "" if typed is None or isinstance(typed, dict | list) else str(typed).strip()


def shortest(value: float) -> int | float:
    """The number, without a point where it is whole."""
    return int(value) if value == int(value) else value


_NUMBER = re.compile(r"[+-]?([0-9]+(\.[0-9]*)?|\.[0-9]+)")


def number(typed: Any) -> Decimal | None:
    """The plain decimal number that was typed, if it is one. The minus sign of typeset text counts as `-`."""
    text = plain(typed).replace("\N{MINUS SIGN}", "-")
    return Decimal(text) if len(text) <= NUMBER_MAX and _NUMBER.fullmatch(text) else None


class Whole(Typed, frozen=True):
    """A whole number within bounds."""

    low: int
    high: int

    def parse(self, typed: Any) -> int:
        value = self.read(plain(typed))
        if value is None:
            raise ValueError(f"{said(typed)} is not a whole number from {self.low:,} to {self.high:,}")
        return value

    def read(self, text: str) -> int | None:
        """The number of a text; None where it is none."""
        value = number(text)
        return int(value) if value is not None and value == int(value) and self.low <= value <= self.high else None

    def schema(self) -> dict[str, Any]:
        return {"type": "integer", "minimum": self.low, "maximum": self.high}


class Percent(Whole, frozen=True):
    """A whole number of percent within bounds, without a sign for them."""

    def parse(self, typed: Any) -> int:
        try:
            return super().parse(typed)
        except ValueError as error:
            from stagectl.show.meant import PERCENT, meant

            raise ValueError(f"{error}{meant(typed, PERCENT, self.read)}") from error


class Real(Typed, frozen=True):
    """A number within bounds."""

    low: float
    high: float

    def parse(self, typed: Any) -> float:
        value = number(typed)
        if value is None or not self.low <= value <= self.high:
            raise ValueError(f"{said(typed)} is not a number from {self.low:,.10g} to {self.high:,.10g}")
        return float(value)

    def schema(self) -> dict[str, Any]:
        return {"type": "number", "minimum": self.low, "maximum": self.high}


_CLOCK = r"(?:([0-9]{1,4}):)?([0-9]{1,4}):([0-5]?[0-9](?:\.[0-9]{1,9})?)"


class Duration(Typed, frozen=True):
    """A length of time, in ns: `0`, `1.5`, `1.5 s`, `250 ms`, `1:12`, `1:02:03.5`. A bare number is seconds."""

    high_s: float

    def parse(self, typed: Any) -> int:
        ns = self.read(plain(typed))
        if ns is None:
            from stagectl.show.meant import TIME, meant

            *examples, last = (f"`{example}`" for example in self._examples())
            says = f"{said(typed)} is not a time from 0 to {self.high_s:g} s, such as {', '.join(examples)} or {last}"
            raise ValueError(says + meant(typed, TIME, self.read))
        return ns

    def _examples(self) -> list[str]:
        """Times in all the ways in which they may be typed, none of them longer than the longest."""
        seconds = (2.0, 2.5, 0.25) if self.high_s >= 2.5 else (self.high_s / 2,) * 3
        of = [f"{seconds[0]:g}", f"{seconds[1]:g} s", f"{seconds[2] * 1_000:g} ms"]
        return [*of, "1:12"] if self.high_s >= 72 else of

    def read(self, text: str) -> int | None:
        """The time of a text, ns; None where it is none."""
        clock = re.fullmatch(_CLOCK, text)
        if clock is not None:
            seconds: Decimal | None = int(clock[1] or 0) * 3600 + int(clock[2]) * 60 + Decimal(clock[3])
        elif text.endswith("ms"):
            millis = number(text.removesuffix("ms").strip())
            seconds = None if millis is None else millis / 1000
        else:
            seconds = number(text.removesuffix("s").strip())
        return int(seconds * 1_000_000_000) if seconds is not None and 0 <= seconds <= Decimal(self.high_s) else None

    def written(self, value: int) -> float:
        return shortest(value / 1_000_000_000)

    def schema(self) -> dict[str, Any]:
        return {
            "anyOf": [
                {"type": "number", "minimum": 0, "maximum": self.high_s},
                {"type": "string", "pattern": r"^[0-9]*\.?[0-9]+ *(ms|s)$"},
                {"type": "string", "pattern": r"^([0-9]{1,4}:)?[0-9]{1,4}:[0-5]?[0-9](\.[0-9]{1,9})?$"},
            ]
        }


class NameText(Typed, frozen=True):
    """A name: free text on one line."""

    def parse(self, typed: Any) -> str:
        name = plain(typed)
        if not name:
            raise ValueError(f"{said(typed)} stands where a name is needed")
        if len(name) > NAME_MAX:
            raise ValueError(f"a name of {len(name)} characters is longer than {NAME_MAX}")
        if any(ord(char) < 32 or 127 <= ord(char) < 160 for char in name):
            raise ValueError("a name stands on one line and holds no control characters")
        return name

    def schema(self) -> dict[str, Any]:
        # An editor reads `808` as a number and `true` as a boolean; both are names all the same.
        return {"type": ["string", "number", "boolean"], "maxLength": NAME_MAX}


_YES, _NO = ("yes", "true", "on"), ("no", "false", "off")


class FlagText(Typed, frozen=True):
    """Yes or no, in any of the ways that people write it."""

    def parse(self, typed: Any) -> bool:
        text = plain(typed).lower()
        if text not in _YES + _NO:
            raise ValueError(f"{said(typed)} is not `yes` or `no`")
        return text in _YES

    def schema(self) -> dict[str, Any]:
        words = "|".join("".join(f"[{char}{char.upper()}]" for char in word) for word in _YES + _NO)
        return {"anyOf": [{"enum": ["yes", "no"]}, {"type": "boolean"}, {"type": "string", "pattern": f"^({words})$"}]}


class HostText(Typed, frozen=True):
    """Where an OSC device listens: `HOST:PORT`."""

    def parse(self, typed: Any) -> tuple[str, int]:
        host, _, port = plain(typed).rpartition(":")
        try:
            if re.fullmatch(r"[0-9A-Za-z._:%\[\]-]+", host):
                return host.strip("[]"), Whole(1, 65_535).parse(port)
        except ValueError:
            pass
        raise ValueError(f"{said(typed)} is not HOST:PORT, such as `192.168.1.20:9000` (port 1 to 65,535)")

    def schema(self) -> dict[str, Any]:
        return {"type": "string", "pattern": "^.+:[0-9]+$"}


def address_of(typed: Any, address: str) -> str:
    """The OSC address that was typed. Raises ValueError where it is none."""
    if not address:
        raise ValueError(f"{said(typed)} stands where an OSC address is needed, such as `/pedal/left`")
    try:
        check_address(address)
    except WireError as error:
        raise ValueError(str(error)) from error
    return address


class AddressText(Typed, frozen=True):
    """An OSC address, such as `/pedal/left`."""

    def parse(self, typed: Any) -> str:
        return address_of(typed, plain(typed))

    def schema(self) -> dict[str, Any]:
        return {"type": "string", "pattern": "^/"}


Name: TypeAlias = Annotated[str, NameText()]
Flag: TypeAlias = Annotated[bool, FlagText()]
Host: TypeAlias = Annotated[tuple[str, int], HostText()]
Address: TypeAlias = Annotated[str, AddressText()]
Channel: TypeAlias = Annotated[int, Whole(1, 16)]
Seven: TypeAlias = Annotated[int, Whole(0, 127)]
Fourteen: TypeAlias = Annotated[int, Whole(0, 16_383)]
Fade: TypeAlias = Annotated[int, Duration(60)]
"""A fade, ns: at most a minute."""
