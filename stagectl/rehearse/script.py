"""Press scripts: what feet do and when, as a file.

presses:
  - {at: 0:02, pedal: drum pedal, control: left, happens: press}
  - {at: 0:05, pedal: vocal pedal, control: treadle, happens: turn to 64}
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Final

from pydantic import Field

from stagectl.core.events import Event, Moved, PedalCame, PedalWent
from stagectl.core.plan import MS, Control, Plan
from stagectl.errors import Fault, FileFaults, nearest
from stagectl.rehearse.room import Timed
from stagectl.show.load import Loading
from stagectl.show.values import Duration, FileModel, Name, Typed, said

PRESS_NS: Final = 80 * MS
"""How long a foot stays down in a press."""

BEYOND_NS: Final = 50 * MS
"""How much longer than its length a hold is held."""

PRESSES_MAX: Final = 100_000

_TURN = re.compile(r"turn to (\d{1,5})")
_WORDS = ("press", "hold", "double press", "down", "up", "unplug", "plug in")


@dataclass(frozen=True)
class HappensText(Typed):
    """What a foot does: a word, or `turn to 64`."""

    def parse(self, typed: Any) -> str:
        text = " ".join(str(typed).split())
        if text not in _WORDS and not _TURN.fullmatch(text):
            known = ", ".join(f"`{word}`" for word in _WORDS)
            raise ValueError(f"{said(typed)} is not something that a foot does: {known} or `turn to 64`")
        return text

    def schema(self) -> dict[str, Any]:
        return {"type": "string"}


class PressModel(FileModel):
    """One thing that a foot does. `at`: the time since the night began."""

    at: Annotated[int, Duration(24 * 3600)]
    pedal: Name
    control: Name | None = None
    happens: Annotated[str, HappensText()]


class ScriptModel(FileModel):
    """A press script."""

    notes: str | None = None
    presses: list[PressModel] = Field(max_length=PRESSES_MAX)


def read_script(path: Path, plan: Plan) -> list[Timed]:
    """The events of a press script, in the order of their times. Raises FileFaults."""
    loading = Loading()
    script = loading.read(path, ScriptModel, "script")
    if script is None or loading.faults:
        raise FileFaults(loading.faults)
    events: list[Timed] = []
    faults: list[Fault] = []
    for at, press in enumerate(script.presses):
        try:
            events += _events(press, plan)
        except ValueError as error:
            faults.append(loading.sources["script"].fault(str(error), "presses", at))
    if faults:
        raise FileFaults(faults)
    return sorted(events, key=lambda timed: timed.at)


def _events(press: PressModel, plan: Plan) -> list[Timed]:
    pedals = [pedal.name for pedal in plan.pedals]
    if press.pedal not in pedals:
        raise ValueError(f"`{press.pedal}` is not a pedal of the rig{nearest(press.pedal, pedals)}")
    pedal = pedals.index(press.pedal)
    if press.happens in ("unplug", "plug in"):
        event: Event = PedalWent(pedal=pedal) if press.happens == "unplug" else PedalCame(pedal=pedal)
        return [Timed(press.at, event)]
    controls = [control.name for control in plan.pedals[pedal].controls]
    if press.control is None:
        raise ValueError(f"`control` is missing here{nearest('', controls)}")
    if press.control not in controls:
        raise ValueError(f"`{press.control}` is not a control of `{press.pedal}`{nearest(press.control, controls)}")
    at = controls.index(press.control)
    moves = moves_of(press.happens, plan.pedals[pedal].controls[at])
    return [Timed(press.at + after, Moved(pedal=pedal, control=at, value=value)) for after, value in moves]


def moves_of(happens: str, control: Control) -> list[tuple[int, int]]:
    """What a control sends for a thing that a foot does: the times after it began, ns, and the values."""
    turn = _TURN.fullmatch(happens)
    if turn is not None:
        return [(0, int(turn[1]))]
    if not control.gives_release:
        return [(0, control.top)]
    return _MOVES[happens](control)


def _press(control: Control) -> list[tuple[int, int]]:
    return [(0, control.top), (PRESS_NS, 0)]


def _double(control: Control) -> list[tuple[int, int]]:
    again = min(2 * PRESS_NS, control.timing.double_ns // 2)
    return [(0, control.top), (again // 2, 0), (again, control.top), (again + PRESS_NS, 0)]


_MOVES: Final[Mapping[str, Callable[[Control], list[tuple[int, int]]]]] = {
    "press": _press,
    "hold": lambda control: [(0, control.top), (control.timing.hold_ns + BEYOND_NS, 0)],
    "double press": _double,
    "down": lambda control: [(0, control.top)],
    "up": lambda _: [(0, 0)],
}
