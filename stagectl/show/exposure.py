"""What a rig says of loudness at the ear: the criterion, and the levels that were measured."""

import re
from typing import Annotated, Any, Final

from pydantic import Field

from stagectl.ears.exposure import CRITERIA, DEFAULT
from stagectl.errors import nearest
from stagectl.show.decibels import LevelText
from stagectl.show.values import FileModel, Name, Typed, number, plain, said

EAR_MIN: Final = 40
EAR_MAX: Final = 130
"""The levels at the ear that a rig may say were measured, dB(A). What is louder was no music."""

_LOWERED: Final = {name.lower(): name for name in CRITERIA}


class CriterionText(Typed, frozen=True):
    """The name of a criterion for sound exposure."""

    def parse(self, typed: Any) -> str:
        name = _LOWERED.get(" ".join(plain(typed).split()).lower())
        if name is None:
            raise ValueError(f"{said(typed)} is not a criterion for sound exposure{nearest(plain(typed), CRITERIA)}")
        return name

    def schema(self) -> dict[str, Any]:
        words = ("".join(_either(char) for char in name) for name in CRITERIA)
        return {"anyOf": [{"enum": list(CRITERIA)}, {"type": "string", "pattern": rf"^\s*({'|'.join(words)})\s*$"}]}


def _either(char: str) -> str:
    if char.isalpha():
        return f"[{char.upper()}{char.lower()}]"
    return r"\s+" if char == " " else re.escape(char)


class EarText(Typed, frozen=True):
    """A level at the ear: `88`, `88.5 dB(A)`. In dB(A)."""

    def parse(self, typed: Any) -> float:
        value = number(re.sub(r"\s*dB ?(\(A\)|A)$", "", plain(typed), flags=re.IGNORECASE))
        if value is None or not EAR_MIN <= value <= EAR_MAX:
            raise ValueError(f"{said(typed)} is not a level at the ear: a number of dB(A) from {EAR_MIN} to {EAR_MAX}")
        return float(value)

    def schema(self) -> dict[str, Any]:
        text = r"^\s*[0-9]*\.?[0-9]+\s*[dD][bB] ?(\([aA]\)|[aA])\s*$"
        return {
            "anyOf": [{"type": "number", "minimum": EAR_MIN, "maximum": EAR_MAX}, {"type": "string", "pattern": text}]
        }


class ExposureModel(FileModel):
    """By what the exposure of the listeners' ears is estimated."""

    criterion: Annotated[str, CriterionText()] = Field(DEFAULT, description="the rule that says how much is allowed")


class MeasuredModel(FileModel):
    """What was measured at a listener's ear."""

    level: Annotated[float, EarText()] = Field(description="the level at the ear, dB(A)")
    mix_sum: Annotated[int, LevelText(can_be_off=False)] | None = Field(
        None, description="the sum of the mix meanwhile, dB; that of the base where left out"
    )
    how: Name = Field(description="how it was measured, in your own words")
