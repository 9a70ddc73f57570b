"""What a control sends: how it is written in a mapping, `{control change: 80}`, `{note: 36, channel: 10}`.

Numbers are as on the wire, channels 1 to 16 or `any`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any, TypeAlias

from pydantic import Tag

from stagectl.show.values import Address, FileModel, Real, Seven, Typed, Whole, kind_by_key, plain


@dataclass(frozen=True)
class AnyChannel(Typed):
    """A channel, or `any` (0 inside)."""

    def parse(self, typed: Any) -> int:
        if plain(typed).lower() == "any":
            return 0
        try:
            return Whole(1, 16).parse(typed)
        except ValueError as error:
            raise ValueError(f"{error}, nor `any`") from error

    def schema(self) -> dict[str, Any]:
        return {"anyOf": [Whole(1, 16).schema(), {"const": "any"}]}


class HearNote(FileModel):
    """A switch that sends a note: on is down, off (or velocity 0) is up."""

    note: Seven
    channel: Annotated[int, AnyChannel()] = 0


class HearControl(FileModel):
    """A switch or treadle that sends a controller."""

    control_change: Seven
    channel: Annotated[int, AnyChannel()] = 0


class HearProgram(FileModel):
    """A switch that sends a program change and never says that it was let go."""

    program: Seven
    channel: Annotated[int, AnyChannel()] = 0


OSC_TOP = 16_383
"""The steps that the travel of an OSC control is counted in."""


class HearOsc(FileModel):
    """A control that sends an OSC message: its first argument, 0 to `top`, is the value; without one it is a press."""

    osc: Address
    top: Annotated[float, Real(0.001, 1_000_000)] = 1


_HEAR: dict[str, type[FileModel]] = {
    "note": HearNote,
    "control change": HearControl,
    "program": HearProgram,
    "osc": HearOsc,
}

AnyHear: TypeAlias = Annotated[
    Annotated[HearNote, Tag("note")]
    | Annotated[HearControl, Tag("control change")]
    | Annotated[HearProgram, Tag("program")]
    | Annotated[HearOsc, Tag("osc")],
    kind_by_key(_HEAR),
]
