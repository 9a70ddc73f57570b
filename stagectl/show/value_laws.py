"""The value laws of a desk profile: what number on the wire stands for which level."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any, Literal, TypeAlias

from pydantic import Field, model_validator

from stagectl.core.levels import Level, text
from stagectl.show.decibels import LevelText, StepText
from stagectl.show.values import FileModel, Typed, Whole, number, said
from stagectl.wire import laws


class Gm2Values(FileModel):
    """The volume law of General MIDI 2: 40·log10(value / highest value) dB, 0 is off."""

    law: Literal["gm2"] = Field(description="the volume law of General MIDI 2")

    def build(self, bits: int | None) -> laws.Law:
        """The law over that many bits."""
        if bits is None:
            raise ValueError("`gm2` is a law over whole MIDI values; OSC takes `db` or `points`")
        return laws.gm2(bits)


class DbValues(FileModel):
    """The value is the dB: directly in OSC floats; over MIDI, value `first` is `lowest`, and each further value is
    `step` dB more, up to `highest`. `off`: the value that means off; just below `first` over MIDI."""

    law: Literal["db"] = Field(description="the value counts dB")
    lowest: Annotated[int, LevelText(can_be_off=False)] = Field(description="the lowest level, dB")
    highest: Annotated[int, LevelText(can_be_off=False)] = Field(description="the highest level, dB")
    step: Annotated[int, StepText()] = Field(10, description="the distance between two levels, dB")
    first: Annotated[int, Whole(0, 16_383)] = Field(1, description="over MIDI, the value of the lowest level")
    off: Annotated[int, Whole(-1_000, 16_383)] | None = Field(None, description="the value that means off")

    @model_validator(mode="after")
    def _rises(self) -> DbValues:
        if self.lowest >= self.highest:
            raise ValueError(f"`lowest`, {text(self.lowest)}, has to be below `highest`, {text(self.highest)}")
        return self

    def build(self, bits: int | None) -> laws.Law:
        """The law over that many bits, or over real numbers."""
        if bits is not None:
            last = self.first + (self.highest - self.lowest) // self.step
            if last >= 1 << bits:
                raise ValueError(f"the law goes up to the value {last}, but {bits} bits end at {(1 << bits) - 1}")
            return laws.even_steps(self.lowest, self.step, self.first, last, self.off)
        points = [laws.Point(self.lowest / 100, self.lowest), laws.Point(self.highest / 100, self.highest)]
        if self.off is not None:
            if self.off >= self.lowest / 100:
                raise ValueError("the value for `off` has to be below `lowest`")
            points.insert(0, laws.Point(self.off, _off()))
        return laws.LineLaw(points, self.step)


def _off() -> Level:
    return LevelText().parse("off")


def _bare(typed: Any) -> str:
    return said(typed).strip("`")


@dataclass(frozen=True)
class PointText(Typed):
    """One point of a chart: `[value, level]`."""

    def parse(self, typed: Any) -> laws.Point:
        value = number(typed[0]) if isinstance(typed, list) and len(typed) == 2 else None
        if value is None:
            got = f"[{', '.join(map(_bare, typed))}]" if isinstance(typed, list) else typed
            raise ValueError(f"{said(got)} is not a point `[value, level]`, such as `[64, -12]` or `[0, off]`")
        return laws.Point(float(value), LevelText().parse(typed[1]))

    def schema(self) -> dict[str, Any]:
        return {"type": "array", "minItems": 2, "maxItems": 2}


class PointsValues(FileModel):
    """Points of the user's own chart, rising, with straight lines between; the first may be off."""

    law: Literal["points"] = Field(description="points of a chart")
    points: list[Annotated[laws.Point, PointText()]] = Field(
        min_length=2, max_length=1024, description="`[value, level]`, rising; the first level may be `off`"
    )
    step: Annotated[int, StepText()] = Field(10, description="the distance between two levels of an OSC value, dB")

    def build(self, bits: int | None) -> laws.Law:
        """The law over that many bits, or over real numbers."""
        if bits is None:
            return laws.LineLaw(self.points, self.step)
        if any(point.code != int(point.code) or not 0 <= point.code < 1 << bits for point in self.points):
            raise ValueError(f"the values of the points have to be whole numbers from 0 to {(1 << bits) - 1}")
        return laws.points_over_codes(self.points)


Values: TypeAlias = Gm2Values | DbValues | PointsValues

AnyValues: TypeAlias = Annotated[Values, Field(discriminator="law")]
