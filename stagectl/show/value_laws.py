"""The value laws of a desk profile: what number on the wire stands for which level."""

from typing import Annotated, Any, ClassVar, Final, Literal, NamedTuple, Self, TypeAlias

from pydantic import Field, model_validator

from stagectl.core.levels import OFF, Level, text
from stagectl.show.decibels import LevelText, StepText
from stagectl.show.values import FileModel, Real, Typed, Whole, number, said
from stagectl.wire import laws

FACTOR_MIN, FACTOR_MAX = 1, 200
"""dB that ten times the value adds, in a `power` law."""


class Codes(NamedTuple):
    """The values that a place on the wire can carry: whole ones from `low` to `high`, or real numbers where `high` is
    None. `in_two_parts`: it carries them as MSB and LSB, one message each."""

    low: int = 0
    high: int | None = None
    in_two_parts: bool = False


REAL: Final = Codes()
SEVEN: Final = Codes(high=0x7F)
FOURTEEN: Final = Codes(high=0x3FFF)
FOURTEEN_IN_TWO: Final = Codes(high=0x3FFF, in_two_parts=True)
TWENTY_ONE: Final = Codes(high=0x1F_FFFF)
OSC_WHOLE: Final = Codes(low=-laws.CODE_MAX, high=laws.CODE_MAX)


class LawValues(FileModel):
    """The base of the laws: pydantic tells them apart by their `law`, and so has to see all of them."""

    put_together_late: ClassVar[bool] = False


class Gm2Values(LawValues):
    """The volume law of General MIDI 2: 40·log10(value / highest value) dB, 0 is off."""

    law: Literal["gm2"] = Field(description="the volume law of General MIDI 2")

    def build(self, codes: Codes) -> laws.Law:
        """The law over these codes."""
        if codes.high is None or codes.low < 0:
            raise ValueError("`gm2` is a law over whole MIDI values; OSC takes `db`, `points` or `power`")
        if codes.high >= laws.TABLE_MAX:
            raise ValueError("`gm2` is a law over 7 or 14 bits; take `db` or `points`")
        return laws.gm2(codes.high, in_two_parts=codes.in_two_parts)


class PowerValues(LawValues):
    """Ten times the value is `factor` dB more: highest + factor·log10(value / top) dB, and 0 is off. By the definition
    of the decibel the factor is 20 where values are amplitudes, 10 where they are powers; 40 is GM2's."""

    law: Literal["power"] = Field(description="so many dB more for ten times the value")
    factor: Annotated[float, Real(FACTOR_MIN, FACTOR_MAX)] = Field(
        description="dB that ten times the value adds: 20 for amplitudes, 10 for powers"
    )
    top: Annotated[float, Real(0.001, laws.CODE_MAX)] | None = Field(
        None, description="the value of the highest level; over MIDI the largest, over OSC 1, where left out"
    )
    highest: Annotated[int, LevelText(can_be_off=False)] = Field(0, description="the highest level, dB")
    lowest: Annotated[int, LevelText(can_be_off=False)] = Field(
        -9_000, description="over OSC floats, the lowest level, dB"
    )
    step: Annotated[int, StepText()] = Field(10, description="the distance between two levels of an OSC float, dB")

    @model_validator(mode="after")
    def _rises(self) -> Self:
        _check_ends(self.lowest, self.highest)
        return self

    def build(self, codes: Codes) -> laws.Law:
        """The law over these codes, or over real numbers."""
        factor = round(self.factor * 100)
        if codes.high is None:
            return laws.power_over_numbers(factor, self.top or 1.0, self.lowest, self.highest, self.step)
        top = min(codes.high, laws.TABLE_MAX - 1) if self.top is None else self.top
        most = min(codes.high, laws.TABLE_MAX - 1)
        if top != int(top) or not 2 <= top <= most:
            raise ValueError(f"`top`, {top:g}, has to be a whole number from 2 to {most:,}")
        return laws.power_over_codes(factor, int(top), self.highest, in_two_parts=codes.in_two_parts)


class DbValues(LawValues):
    """The value is the dB: directly in OSC floats; over whole numbers, value `first` is `lowest`, and each further
    value is `step` dB more, up to `highest`. `off`: the value that means off, which is that of no level."""

    law: Literal["db"] = Field(description="the value counts dB")
    lowest: Annotated[int, LevelText(can_be_off=False)] = Field(description="the lowest level, dB")
    highest: Annotated[int, LevelText(can_be_off=False)] = Field(description="the highest level, dB")
    step: Annotated[int, StepText()] = Field(10, description="the distance between two levels, dB")
    first: Annotated[int, Whole(-laws.CODE_MAX, laws.CODE_MAX)] = Field(
        1, description="over whole numbers, the value of the lowest level"
    )
    off: Annotated[int, Whole(-laws.CODE_MAX, laws.CODE_MAX)] | None = Field(
        None, description="the value that means off"
    )

    @model_validator(mode="after")
    def _rises(self) -> Self:
        _check_ends(self.lowest, self.highest)
        return self

    def build(self, codes: Codes) -> laws.Law:
        """The law over these codes, or over real numbers."""
        if codes.high is not None:
            last = self.first + (self.highest - self.lowest) // self.step
            for value in (last, self.first, self.off):
                if value is not None and not codes.low <= value <= codes.high:
                    raise ValueError(f"the law has the value {value}, which is outside {codes.low} to {codes.high}")
            return laws.even_steps(self.lowest, self.step, self.first, last, self.off, in_two_parts=codes.in_two_parts)
        points = [laws.Point(self.lowest / 100, self.lowest), laws.Point(self.highest / 100, self.highest)]
        if self.off is not None:
            if self.lowest / 100 <= self.off <= self.highest / 100:
                raise ValueError("the value for `off` has to be below `lowest` or above `highest`")
            points.insert(0 if self.off < points[0].code else 2, laws.Point(self.off, OFF))
        return laws.LineLaw(points, self.step)


def _check_ends(lowest: int, highest: int) -> None:
    if lowest >= highest:
        raise ValueError(f"`lowest`, {text(lowest)}, has to be below `highest`, {text(highest)}")


def _bare(typed: Any) -> str:
    return said(typed).strip("`")


class PointText(Typed, frozen=True):
    """One point of a chart: `[value, level]`."""

    def parse(self, typed: Any) -> laws.Point:
        value = number(typed[0]) if isinstance(typed, list) and len(typed) == 2 else None
        if value is None:
            got = f"[{', '.join(map(_bare, typed))}]" if isinstance(typed, list) else typed
            raise ValueError(f"{said(got)} is not a point `[value, level]`, such as `[64, -12]` or `[0, off]`")
        level: Level = LevelText().parse(typed[1])
        return laws.Point(float(value), level)

    def schema(self) -> dict[str, Any]:
        return {"type": "array", "minItems": 2, "maxItems": 2}


class PointsValues(LawValues):
    """Points of the user's own chart: the values rise, the levels rise or fall, with straight lines between. The first
    or the last level may be off."""

    law: Literal["points"] = Field(description="points of a chart")
    points: list[Annotated[laws.Point, PointText()]] = Field(
        min_length=2,
        max_length=1024,
        description="`[value, level]`, by rising values; the first or the last level may be `off`",
    )
    step: Annotated[int, StepText()] = Field(10, description="the distance between two levels of an OSC value, dB")

    def build(self, codes: Codes) -> laws.Law:
        """The law over these codes, or over real numbers."""
        if codes.high is None:
            return laws.LineLaw(self.points, self.step)
        low, high = codes.low, codes.high
        if any(point.code != int(point.code) or not low <= point.code <= high for point in self.points):
            raise ValueError(f"the values of the points have to be whole numbers from {low} to {high}")
        return laws.points_over_codes(self.points, self.step, in_two_parts=codes.in_two_parts)


Values: TypeAlias = Gm2Values | PowerValues | DbValues | PointsValues

AnyValues: TypeAlias = Annotated[Values, Field(discriminator="law")]
