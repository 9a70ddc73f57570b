"""Levels, shifts and steps in dB, as types of the models."""

from __future__ import annotations

import re
from typing import Annotated, Any, TypeAlias

from stagectl.core.levels import LEVEL_MAX, LEVEL_MIN, OFF, Level, Off
from stagectl.core.plan import SetTo, ShiftBy
from stagectl.show.values import Typed, number, plain, said, shortest


def _db(text: str, low: int, high: int) -> int | None:
    """Hundredths of a dB of a typed number, with or without `dB` behind it; None where it is none."""
    value = number(re.sub(r"\s*dB$", "", text.strip(), flags=re.IGNORECASE))
    if value is None or value * 100 != (value * 100).to_integral_value():
        return None
    return int(value * 100) if low <= value * 100 <= high else None


class _Decibels(Typed, frozen=True):
    """A number of dB, held as hundredths."""

    def written(self, value: Level) -> float | str:
        return "off" if isinstance(value, Off) else shortest(value / 100)


def _hint(text: str) -> str:
    """What is easily done wrong in a number of dB."""
    if "," in text:
        return " (decimals are written with a point)"
    return " (with two decimals at most)" if re.search(r"\.[0-9]{3}", text) else ""


_DB_PATTERN = r"^[+-]?[0-9]*\.?[0-9]+ *[dD][bB]$"
_SHIFT_PATTERN = r"^([uU][pP]|[dD][oO][wW][nN]) +[0-9]*\.?[0-9]+( *[dD][bB])?$"
_MORE_PATTERN = r"^(\+?|[uU][pP] +)[0-9]*\.?[0-9]+ *[dD][bB]$|^[uU][pP] +[0-9]*\.?[0-9]+$"
"""A change that can only be upwards."""


class LevelText(_Decibels, frozen=True):
    """A level: `-12`, `-7.5 dB`, `off`. At most two digits behind the point."""

    can_be_off: bool = True

    def parse(self, typed: Any) -> Level:
        level = self.read(plain(typed))
        if level is None:
            raise ValueError(self.refused(typed) + self.meant(typed))
        return level

    def read(self, text: str) -> Level | None:
        """The level of a text; None where it is none."""
        return OFF if self.can_be_off and text.lower() == "off" else _db(text, LEVEL_MIN, LEVEL_MAX)

    def refused(self, typed: Any) -> str:
        """What is wrong with what was typed."""
        off = ", or `off`" if self.can_be_off else ""
        span = f"a number of dB from {LEVEL_MIN // 100} to {LEVEL_MAX // 100}{off}"
        return f"{said(typed)} is not a level: {span}{_hint(plain(typed))}"

    def meant(self, typed: Any) -> str:
        """What was probably meant, as a hint."""
        from stagectl.show.meant import LEVEL, meant

        return meant(typed, LEVEL, self.read)

    def schema(self) -> dict[str, Any]:
        value = {"type": "number", "minimum": LEVEL_MIN / 100, "maximum": LEVEL_MAX / 100}
        off = [{"const": "off"}, {"type": "string", "pattern": "^[oO][fF][fF]$"}] if self.can_be_off else []
        return {"anyOf": [value, *off, {"type": "string", "pattern": _DB_PATTERN}]}


class StepText(_Decibels, frozen=True):
    """The distance between two levels of a desk, in hundredths of a dB: `0.5`, `0.1 dB`."""

    def parse(self, typed: Any) -> int:
        step = _db(plain(typed), 1, LEVEL_MAX)
        if step is None:
            raise ValueError(f"{said(typed)} is not a step: a number of dB from 0.01 to {LEVEL_MAX // 100}")
        return step

    def schema(self) -> dict[str, Any]:
        value = {"type": "number", "minimum": 0.01, "maximum": LEVEL_MAX / 100}
        return {"anyOf": [value, {"type": "string", "pattern": _DB_PATTERN}]}


_SHIFT = r"(up|down)\s+(.+)"


def _change(text: str) -> SetTo | ShiftBy | None:
    """What a text does to a send; None where it says nothing of the kind, or says it so that it may mean two things."""
    shift = re.fullmatch(_SHIFT, text, re.IGNORECASE)
    if shift is None:
        level = None if text.startswith("+") else LevelText().read(text)
        return None if level is None else SetTo(level)
    by = None if shift[2].startswith(("+", "-")) else _db(shift[2], 0, LEVEL_MAX - LEVEL_MIN)
    return None if by is None else ShiftBy(by if shift[1].lower() == "up" else -by)


class LayerText(Typed, frozen=True):
    """What a layer does to a send: a level sets it, `up 3` and `down 6` shift it."""

    def parse(self, typed: Any) -> SetTo | ShiftBy:
        text = plain(typed)
        change = _change(text)
        if change is not None:
            return change
        if text.startswith("+") and _db(text, LEVEL_MIN, LEVEL_MAX) is not None:
            bare = text.removeprefix("+")
            raise ValueError(f"{said(typed)} could mean two things: write `up {bare}` to shift, `{bare}` to set")
        from stagectl.show.meant import SHIFT, meant

        says = f"{LevelText().refused(typed)}, or a shift such as `up 3` or `down 6`"
        if re.fullmatch(_SHIFT, text, re.IGNORECASE):
            most = (LEVEL_MAX - LEVEL_MIN) // 100
            says = f"{said(typed)} is not a shift: write `up 3` or `down 4.5`, in dB from 0 to {most}"
        raise ValueError(says + meant(typed, SHIFT, _change))

    def schema(self) -> dict[str, Any]:
        return {"anyOf": [*LevelText().schema()["anyOf"], {"type": "string", "pattern": _SHIFT_PATTERN}]}


class ChangeText(_Decibels, frozen=True):
    """A signed change in dB: `+1`, `-1.5`, `2 dB`, `up 1`, `down 3`. In hundredths of a dB. Where `low` is 0 or
    more there is no sign but `+`, and no `down`."""

    low: int
    high: int
    can_be_zero: bool = True

    def parse(self, typed: Any) -> int:
        by = self.read(plain(typed))
        if by is None:
            from stagectl.show.meant import SHIFT, meant

            says = f"{said(typed)} is not a change: a number of dB from {self.low / 100:g} to {self.high / 100:g}"
            raise ValueError(says + _hint(plain(typed)) + meant(typed, SHIFT, self.read))
        if by == 0 and not self.can_be_zero:
            raise ValueError(f"{said(typed)} changes nothing")
        return by

    def read(self, text: str) -> int | None:
        """The change of a text; None where it is none."""
        shift = re.fullmatch(_SHIFT, text, re.IGNORECASE)
        if shift is not None:
            text = ("" if shift[1].lower() == "up" else "-") + shift[2]
        # `-0` alone is a number to every editor.
        is_less = text.startswith("-") and (shift is not None or number(text) != 0)
        return None if is_less and self.low >= 0 else _db(text, self.low, self.high)

    def schema(self) -> dict[str, Any]:
        value: dict[str, Any] = {"type": "number", "minimum": self.low / 100, "maximum": self.high / 100}
        if not self.can_be_zero:
            value["not"] = {"const": 0}
        texts = (_DB_PATTERN, _SHIFT_PATTERN) if self.low < 0 else (_MORE_PATTERN,)
        return {"anyOf": [value, *({"type": "string", "pattern": text} for text in texts)]}


class RateText(_Decibels, frozen=True):
    """How fast a level may rise: `50`, `50 dB`, `50 dB/s`. In hundredths of a dB a second."""

    low: int
    high: int

    def parse(self, typed: Any) -> int:
        rate = _db(re.sub(r"\s*/\s*s$", "", plain(typed)), self.low, self.high)
        if rate is None:
            span = f"from {self.low / 100:g} to {self.high / 100:g}"
            raise ValueError(f"{said(typed)} is not a rate: a number of dB a second {span}, such as `50` or `50 dB/s`")
        return rate

    def schema(self) -> dict[str, Any]:
        value = {"type": "number", "minimum": self.low / 100, "maximum": self.high / 100}
        return {"anyOf": [value, {"type": "string", "pattern": r"^\+?[0-9]*\.?[0-9]+ *([dD][bB])? *(/ *s)?$"}]}


SendLevel: TypeAlias = Annotated[Level, LevelText()]
Ceiling: TypeAlias = Annotated[int, LevelText(can_be_off=False)]
LayerChange: TypeAlias = Annotated[SetTo | ShiftBy, LayerText()]
