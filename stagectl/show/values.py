"""The values that a musician types, as types of the models: each parses its text, says its range where it
refuses, and describes itself in the JSON Schema."""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from typing import Annotated, Any, Final, TypeAlias

from pydantic import BaseModel, ConfigDict, GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import CoreSchema, core_schema

from stagectl.core.levels import LEVEL_MAX, LEVEL_MIN, OFF, Level
from stagectl.core.plan import SetTo, ShiftBy
from stagectl.errors import WireError
from stagectl.wire.osc import check_address

NAME_MAX: Final = 200
"""The longest name, characters."""


class FileModel(BaseModel):
    """A part of a file: unknown keys are faults, and keys are written with spaces."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, alias_generator=lambda name: name.rstrip("_").replace("_", " ")
    )


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
        return "nothing"
    if isinstance(typed, dict | list):
        return "a list" if isinstance(typed, list) else "a mapping"
    return f"`{typed}`"


def number(typed: Any) -> Decimal | None:
    """The plain decimal number that was typed, if it is one."""
    if isinstance(typed, bool) or not isinstance(typed, str | int | float):
        return None
    text = str(typed).strip()
    if not re.fullmatch(r"[+-]?(\d+(\.\d*)?|\.\d+)", text):
        return None
    try:
        return Decimal(text)
    except InvalidOperation:
        return None


@dataclass(frozen=True)
class Whole(Typed):
    """A whole number within bounds."""

    low: int
    high: int

    def parse(self, typed: Any) -> int:
        value = number(typed)
        if value is None or value != value.to_integral_value() or not self.low <= value <= self.high:
            raise ValueError(f"{said(typed)} is not a whole number from {self.low} to {self.high}")
        return int(value)

    def schema(self) -> dict[str, Any]:
        return {"type": "integer", "minimum": self.low, "maximum": self.high}


@dataclass(frozen=True)
class Real(Typed):
    """A number within bounds, with its unit in the refusal."""

    low: float
    high: float
    unit: str = ""

    def parse(self, typed: Any) -> float:
        text = typed.strip().removesuffix(self.unit).strip() if isinstance(typed, str) and self.unit else typed
        value = number(text)
        if value is None or not self.low <= value <= self.high:
            unit = f" {self.unit}" if self.unit else ""
            raise ValueError(f"{said(typed)} is not a number from {self.low:g} to {self.high:g}{unit}")
        return float(value)

    def schema(self) -> dict[str, Any]:
        return {"type": "number", "minimum": self.low, "maximum": self.high}


def _db(text: str, low: int, high: int) -> int | None:
    """Hundredths of a dB of a typed number, with or without `dB` behind it; None where it is none."""
    value = number(re.sub(r"\s*dB$", "", text.strip(), flags=re.IGNORECASE))
    if value is None or value * 100 != (value * 100).to_integral_value():
        return None
    return int(value * 100) if low <= value * 100 <= high else None


@dataclass(frozen=True)
class LevelText(Typed):
    """A level: `-12`, `-7.5 dB`, `off`. At most two digits behind the point."""

    can_be_off: bool = True

    def parse(self, typed: Any) -> Level:
        text = "" if typed is None or isinstance(typed, dict | list) else str(typed).strip()
        if self.can_be_off and text.lower() == "off":
            return OFF
        level = _db(text, LEVEL_MIN, LEVEL_MAX)
        if level is None:
            off = " or `off`" if self.can_be_off else ""
            raise ValueError(
                f"{said(typed)} is not a level: a number of dB from {LEVEL_MIN // 100} to {LEVEL_MAX // 100}{off}"
            )
        return level

    def schema(self) -> dict[str, Any]:
        value = {"type": "number", "minimum": LEVEL_MIN / 100, "maximum": LEVEL_MAX / 100}
        return {"anyOf": [value, {"const": "off"}]} if self.can_be_off else value


_SHIFT = re.compile(r"(up|down)\s+(.+)", re.IGNORECASE)


@dataclass(frozen=True)
class LayerText(Typed):
    """What a layer does to a send: a level sets it, `up 3` and `down 6` shift it."""

    def parse(self, typed: Any) -> SetTo | ShiftBy:
        shift = _SHIFT.fullmatch(str(typed).strip()) if isinstance(typed, str) else None
        if shift is not None:
            by = _db(shift[2], 0, LEVEL_MAX - LEVEL_MIN)
            if by is None or shift[2].startswith(("+", "-")):
                raise ValueError(f"{said(typed)} is not a shift: write `up 3` or `down 4.5`, in dB")
            return ShiftBy(by if shift[1].lower() == "up" else -by)
        if isinstance(typed, str) and typed.strip().startswith("+"):
            plain = typed.strip().removeprefix("+")
            raise ValueError(f"{said(typed)} could mean two things: write `up {plain}` to shift, `{plain}` to set")
        try:
            return SetTo(LevelText().parse(typed))
        except ValueError as error:
            raise ValueError(f"{error}, or a shift such as `up 3` or `down 6`") from error

    def schema(self) -> dict[str, Any]:
        shift = {"type": "string", "pattern": r"^(up|down) +[0-9]+(\.[0-9]+)?( *dB)?$"}
        return {"anyOf": [*LevelText().schema()["anyOf"], shift]}


@dataclass(frozen=True)
class ChangeText(Typed):
    """A signed change in dB: `+1`, `-1.5`, `2 dB`, `up 1`, `down 3`. In hundredths of a dB."""

    low: int
    high: int

    def parse(self, typed: Any) -> int:
        text = "" if typed is None or isinstance(typed, dict | list) else str(typed).strip()
        shift = _SHIFT.fullmatch(text)
        if shift is not None:
            text = ("" if shift[1].lower() == "up" else "-") + shift[2]
        by = _db(text, self.low, self.high)
        if by is None:
            raise ValueError(f"{said(typed)} is not a change from {self.low / 100:g} to {self.high / 100:g} dB")
        return by

    def schema(self) -> dict[str, Any]:
        value = {"type": "number", "minimum": self.low / 100, "maximum": self.high / 100}
        return {"anyOf": [value, {"type": "string", "pattern": r"^(up|down) +[0-9]+(\.[0-9]+)?( *dB)?$"}]}


_DURATION = re.compile(r"(?:(\d+):)?(\d+):(\d{1,2}(?:\.\d+)?)")


@dataclass(frozen=True)
class Duration(Typed):
    """A length of time, in ns: `0`, `1.5`, `1.5 s`, `250 ms`, `1:12`, `1:02:03.5`. A bare number is seconds."""

    high_s: float

    def parse(self, typed: Any) -> int:
        text = "" if typed is None or isinstance(typed, dict | list) else str(typed).strip()
        clock = _DURATION.fullmatch(text)
        if clock is not None:
            seconds: Decimal | None = int(clock[1] or 0) * 3600 + int(clock[2]) * 60 + Decimal(clock[3])
        elif text.endswith("ms"):
            millis = number(text.removesuffix("ms").strip())
            seconds = None if millis is None else millis / 1000
        else:
            seconds = number(text.removesuffix("s").strip())
        if seconds is None or not 0 <= seconds <= Decimal(self.high_s):
            raise ValueError(
                f"{said(typed)} is not a time from 0 to {self.high_s:g} s (`2`, `2.5 s`, `250 ms` or `1:12`)"
            )
        return int(seconds * 1_000_000_000)

    def schema(self) -> dict[str, Any]:
        return {
            "anyOf": [
                {"type": "number", "minimum": 0, "maximum": self.high_s},
                {"type": "string", "pattern": r"^([0-9]+:)?[0-9]+(:[0-9.]+)?(\.[0-9]+)?( *(ms|s))?$"},
            ]
        }


@dataclass(frozen=True)
class NameText(Typed):
    """A name: free text on one line."""

    def parse(self, typed: Any) -> str:
        if typed is None or isinstance(typed, dict | list) or not str(typed).strip():
            raise ValueError(f"{said(typed)} stands where a name is needed")
        name = str(typed).strip()
        if len(name) > NAME_MAX:
            raise ValueError(f"a name of {len(name)} characters is longer than {NAME_MAX}")
        if any(ord(char) < 32 or ord(char) == 127 for char in name):
            raise ValueError("a name stands on one line and holds no control characters")
        return name

    def schema(self) -> dict[str, Any]:
        return {"type": ["string", "number"], "maxLength": NAME_MAX}


_YES, _NO = ("yes", "true", "on"), ("no", "false", "off")


@dataclass(frozen=True)
class FlagText(Typed):
    """Yes or no, in any of the ways that people write it."""

    def parse(self, typed: Any) -> bool:
        text = str(typed).strip().lower()
        if text not in _YES + _NO:
            raise ValueError(f"{said(typed)} is not `yes` or `no`")
        return text in _YES

    def schema(self) -> dict[str, Any]:
        return {"anyOf": [{"type": "boolean"}, {"enum": [*_YES, *_NO]}]}


@dataclass(frozen=True)
class HostText(Typed):
    """Where an OSC device listens: `HOST:PORT`."""

    def parse(self, typed: Any) -> tuple[str, int]:
        host, colon, port = str(typed).strip().rpartition(":")
        value = number(port)
        if not colon or not host or value is None or not 1 <= value <= 65_535:
            raise ValueError(f"{said(typed)} is not HOST:PORT, such as `192.168.1.20:9000` (port 1 to 65535)")
        return host.strip("[]"), int(value)

    def schema(self) -> dict[str, Any]:
        return {"type": "string", "pattern": "^.+:[0-9]+$"}


@dataclass(frozen=True)
class AddressText(Typed):
    """An OSC address, such as `/pedal/left`."""

    def parse(self, typed: Any) -> str:
        try:
            return check_address(str(typed).strip())
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
