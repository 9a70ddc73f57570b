"""The values that a musician types, as types of the models: each parses its text, says its range where it
refuses, and describes itself in the JSON Schema."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Annotated, Any, Final, TypeAlias

from pydantic import BaseModel, ConfigDict, Discriminator, GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import CoreSchema, core_schema

from stagectl.core.levels import LEVEL_MAX, LEVEL_MIN, OFF, Level
from stagectl.core.plan import SetTo, ShiftBy
from stagectl.errors import WireError
from stagectl.show.yamltext import shown
from stagectl.wire.osc import check_address

NAME_MAX: Final = 200
"""The longest name, characters."""

NUMBER_MAX: Final = 40
"""The longest number, characters: sound ones need a few."""


class FileModel(BaseModel):
    """A part of a file: unknown keys are faults, and keys are written with spaces."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, alias_generator=lambda name: name.rstrip("_").replace("_", " ")
    )


NEEDS_KIND: Final = "needs_kind"
"""The type of the error where a mapping has none of the keys that tell its kind. Its message is these keys."""


def kind_by_key(models: Mapping[str, type[FileModel]]) -> Discriminator:
    """Tells variants of a mapping apart: the kind is the key that is there."""

    def kind(typed: Any) -> str | None:
        if isinstance(typed, dict):
            return next((key for key in models if key in typed), None)
        return next((key for key, model in models.items() if isinstance(typed, model)), None)

    return Discriminator(kind, NEEDS_KIND, ", ".join(f"`{word}`" for word in models))


@dataclass(frozen=True)
class OrElse:
    """Says in the JSON Schema how else a value may be written: as one of a few words, as a value of a simple type, or
    (where neither is given) as an entry of its list standing alone."""

    words: tuple[str, ...] = ()
    type: str | None = None

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        made = handler(schema)
        simple = None if self.type is None else {"type": self.type}
        also = {"enum": list(self.words)} if self.words else simple or made["items"]
        return {"anyOf": [made, also]}


class Typed:
    """The base of the value types: `parse` takes what was typed and raises ValueError with what is allowed."""

    def parse(self, typed: Any) -> Any:
        """The value."""
        raise NotImplementedError

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


_NUMBER = re.compile(r"[+-]?([0-9]+(\.[0-9]*)?|\.[0-9]+)")


def number(typed: Any) -> Decimal | None:
    """The plain decimal number that was typed, if it is one. The minus sign of typeset text counts as `-`."""
    text = plain(typed).replace("\N{MINUS SIGN}", "-")
    return Decimal(text) if len(text) <= NUMBER_MAX and _NUMBER.fullmatch(text) else None


@dataclass(frozen=True)
class Whole(Typed):
    """A whole number within bounds."""

    low: int
    high: int

    def parse(self, typed: Any) -> int:
        value = number(typed)
        if value is None or value != value.to_integral_value() or not self.low <= value <= self.high:
            raise ValueError(f"{said(typed)} is not a whole number from {self.low:,} to {self.high:,}")
        return int(value)

    def schema(self) -> dict[str, Any]:
        return {"type": "integer", "minimum": self.low, "maximum": self.high}


@dataclass(frozen=True)
class Real(Typed):
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


def _db(text: str, low: int, high: int) -> int | None:
    """Hundredths of a dB of a typed number, with or without `dB` behind it; None where it is none."""
    value = number(re.sub(r"\s*dB$", "", text.strip(), flags=re.IGNORECASE))
    if value is None or value * 100 != (value * 100).to_integral_value():
        return None
    return int(value * 100) if low <= value * 100 <= high else None


def _hint(text: str) -> str:
    """What is easily done wrong in a number of dB."""
    if "," in text:
        return " (decimals are written with a point)"
    return " (with two decimals at most)" if re.search(r"\.[0-9]{3}", text) else ""


_DB_PATTERN = r"^[+-]?[0-9]*\.?[0-9]+ *[dD][bB]$"
_SHIFT_PATTERN = r"^([uU][pP]|[dD][oO][wW][nN]) +[0-9]*\.?[0-9]+( *[dD][bB])?$"


@dataclass(frozen=True)
class LevelText(Typed):
    """A level: `-12`, `-7.5 dB`, `off`. At most two digits behind the point."""

    can_be_off: bool = True

    def parse(self, typed: Any) -> Level:
        text = plain(typed)
        if self.can_be_off and text.lower() == "off":
            return OFF
        level = _db(text, LEVEL_MIN, LEVEL_MAX)
        if level is None:
            off = ", or `off`" if self.can_be_off else ""
            raise ValueError(
                f"{said(typed)} is not a level: a number of dB from {LEVEL_MIN // 100} to {LEVEL_MAX // 100}{off}"
                + _hint(text)
            )
        return level

    def schema(self) -> dict[str, Any]:
        value = {"type": "number", "minimum": LEVEL_MIN / 100, "maximum": LEVEL_MAX / 100}
        off = [{"const": "off"}, {"type": "string", "pattern": "^[oO][fF][fF]$"}] if self.can_be_off else []
        return {"anyOf": [value, *off, {"type": "string", "pattern": _DB_PATTERN}]}


@dataclass(frozen=True)
class StepText(Typed):
    """The distance between two levels of a desk, in hundredths of a dB: `0.5`, `0.1 dB`."""

    def parse(self, typed: Any) -> int:
        step = _db(plain(typed), 1, LEVEL_MAX)
        if step is None:
            raise ValueError(f"{said(typed)} is not a step: a number of dB from 0.01 to {LEVEL_MAX // 100}")
        return step

    def schema(self) -> dict[str, Any]:
        value = {"type": "number", "minimum": 0.01, "maximum": LEVEL_MAX / 100}
        return {"anyOf": [value, {"type": "string", "pattern": _DB_PATTERN}]}


_SHIFT = re.compile(r"(up|down)\s+(.+)", re.IGNORECASE)


@dataclass(frozen=True)
class LayerText(Typed):
    """What a layer does to a send: a level sets it, `up 3` and `down 6` shift it."""

    def parse(self, typed: Any) -> SetTo | ShiftBy:
        text = plain(typed)
        shift = _SHIFT.fullmatch(text)
        if shift is not None:
            by = _db(shift[2], 0, LEVEL_MAX - LEVEL_MIN)
            if by is None or shift[2].startswith(("+", "-")):
                most = (LEVEL_MAX - LEVEL_MIN) // 100
                raise ValueError(f"{said(typed)} is not a shift: write `up 3` or `down 4.5`, in dB from 0 to {most}")
            return ShiftBy(by if shift[1].lower() == "up" else -by)
        if text.startswith("+") and _db(text, LEVEL_MIN, LEVEL_MAX) is not None:
            bare = text.removeprefix("+")
            raise ValueError(f"{said(typed)} could mean two things: write `up {bare}` to shift, `{bare}` to set")
        try:
            return SetTo(LevelText().parse(typed))
        except ValueError as error:
            raise ValueError(f"{error}, or a shift such as `up 3` or `down 6`") from error

    def schema(self) -> dict[str, Any]:
        return {"anyOf": [*LevelText().schema()["anyOf"], {"type": "string", "pattern": _SHIFT_PATTERN}]}


@dataclass(frozen=True)
class ChangeText(Typed):
    """A signed change in dB: `+1`, `-1.5`, `2 dB`, `up 1`, `down 3`. In hundredths of a dB."""

    low: int
    high: int

    def parse(self, typed: Any) -> int:
        text = plain(typed)
        shift = _SHIFT.fullmatch(text)
        if shift is not None:
            text = ("" if shift[1].lower() == "up" else "-") + shift[2]
        by = _db(text, self.low, self.high)
        if by is None:
            span = f"from {self.low / 100:g} to {self.high / 100:g}"
            raise ValueError(f"{said(typed)} is not a change: a number of dB {span}" + _hint(text))
        return by

    def schema(self) -> dict[str, Any]:
        value = {"type": "number", "minimum": self.low / 100, "maximum": self.high / 100}
        return {"anyOf": [value, *({"type": "string", "pattern": text} for text in (_DB_PATTERN, _SHIFT_PATTERN))]}


_CLOCK = re.compile(r"(?:([0-9]{1,4}):)?([0-9]{1,4}):([0-5]?[0-9](?:\.[0-9]{1,9})?)")


@dataclass(frozen=True)
class Duration(Typed):
    """A length of time, in ns: `0`, `1.5`, `1.5 s`, `250 ms`, `1:12`, `1:02:03.5`. A bare number is seconds."""

    high_s: float

    def parse(self, typed: Any) -> int:
        text = plain(typed)
        clock = _CLOCK.fullmatch(text)
        if clock is not None:
            seconds: Decimal | None = int(clock[1] or 0) * 3600 + int(clock[2]) * 60 + Decimal(clock[3])
        elif text.endswith("ms"):
            millis = number(text.removesuffix("ms").strip())
            seconds = None if millis is None else millis / 1000
        else:
            seconds = number(text.removesuffix("s").strip())
        if seconds is None or not 0 <= seconds <= Decimal(self.high_s):
            examples = "`2`, `2.5 s` or `250 ms`" if self.high_s <= 60 else "`2`, `2.5 s`, `250 ms` or `1:12`"
            raise ValueError(f"{said(typed)} is not a time from 0 to {self.high_s:g} s, such as {examples}")
        return int(seconds * 1_000_000_000)

    def schema(self) -> dict[str, Any]:
        return {
            "anyOf": [
                {"type": "number", "minimum": 0, "maximum": self.high_s},
                {"type": "string", "pattern": r"^[0-9]*\.?[0-9]+ *(ms|s)$"},
                {"type": "string", "pattern": r"^([0-9]{1,4}:)?[0-9]{1,4}:[0-5]?[0-9](\.[0-9]{1,9})?$"},
            ]
        }


@dataclass(frozen=True)
class NameText(Typed):
    """A name: free text on one line."""

    def parse(self, typed: Any) -> str:
        name = plain(typed)
        if not name:
            raise ValueError(f"{said(typed)} stands where a name is needed")
        if len(name) > NAME_MAX:
            raise ValueError(f"a name of {len(name)} characters is longer than {NAME_MAX}")
        if any(ord(char) < 32 or ord(char) == 127 for char in name):
            raise ValueError("a name stands on one line and holds no control characters")
        return name

    def schema(self) -> dict[str, Any]:
        # An editor reads `808` as a number and `true` as a boolean; both are names all the same.
        return {"type": ["string", "number", "boolean"], "maxLength": NAME_MAX}


_YES, _NO = ("yes", "true", "on"), ("no", "false", "off")


@dataclass(frozen=True)
class FlagText(Typed):
    """Yes or no, in any of the ways that people write it."""

    def parse(self, typed: Any) -> bool:
        text = plain(typed).lower()
        if text not in _YES + _NO:
            raise ValueError(f"{said(typed)} is not `yes` or `no`")
        return text in _YES

    def schema(self) -> dict[str, Any]:
        words = "|".join("".join(f"[{char}{char.upper()}]" for char in word) for word in _YES + _NO)
        return {"anyOf": [{"enum": ["yes", "no"]}, {"type": "boolean"}, {"type": "string", "pattern": f"^({words})$"}]}


@dataclass(frozen=True)
class HostText(Typed):
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


@dataclass(frozen=True)
class AddressText(Typed):
    """An OSC address, such as `/pedal/left`."""

    def parse(self, typed: Any) -> str:
        try:
            return check_address(plain(typed))
        except WireError as error:
            raise ValueError(str(error)) from error

    def schema(self) -> dict[str, Any]:
        return {"type": "string", "pattern": "^/"}


Name: TypeAlias = Annotated[str, NameText()]
SendLevel: TypeAlias = Annotated[Level, LevelText()]
Ceiling: TypeAlias = Annotated[int, LevelText(can_be_off=False)]
LayerChange: TypeAlias = Annotated[SetTo | ShiftBy, LayerText()]
Flag: TypeAlias = Annotated[bool, FlagText()]
Host: TypeAlias = Annotated[tuple[str, int], HostText()]
Address: TypeAlias = Annotated[str, AddressText()]
Channel: TypeAlias = Annotated[int, Whole(1, 16)]
Seven: TypeAlias = Annotated[int, Whole(0, 127)]
Fourteen: TypeAlias = Annotated[int, Whole(0, 16_383)]
Fade: TypeAlias = Annotated[int, Duration(60)]
"""A fade, ns: at most a minute."""
