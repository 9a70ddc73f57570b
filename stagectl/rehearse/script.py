"""Press scripts: what feet do and when, as a file.

presses:
  - {at: 0:02, pedal: drum pedal, control: left, happens: press}
  - {at: 0:05, pedal: vocal pedal, control: treadle, happens: turn to 64}
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any, Final

from pydantic import Field

from stagectl.core.events import Event, Moved, PedalCame, PedalWent
from stagectl.core.feet import Control
from stagectl.core.plan import MS, Plan
from stagectl.errors import Advice, Fault, FileFaults, nearest
from stagectl.rehearse.room import Timed
from stagectl.show.load import Loading
from stagectl.show.source import Source
from stagectl.show.time_fit import pointed
from stagectl.show.values import Duration, FileModel, Name, Typed, said

PRESS_NS: Final = 80 * MS
"""How long a foot stays down in a press."""

BEYOND_NS: Final = 50 * MS
"""How much longer than its length a hold is held."""

PRESSES_MAX: Final = 100_000

NIGHT_S: Final = 24 * 3_600
"""The latest time of a press, s since the night began."""

SCRIPT: Final = "presses.yaml"
"""The name of a show's own script, in its folder."""

_NUMBER: Final = r"[0-9]{1,7}(\.[0-9]{1,9})?"
_TURN: Final = re.compile(rf"turn to ({_NUMBER})")
_WORDS = ("press", "hold", "double press", "down", "up", "unplug", "plug in")


class HappensText(Typed, frozen=True):
    """What a foot does: a word, or `turn to 64`."""

    def parse(self, typed: Any) -> str:
        text = " ".join(str(typed).split())
        if text not in _WORDS and not _TURN.fullmatch(text):
            known = ", ".join(f"`{word}`" for word in _WORDS)
            raise ValueError(f"{said(typed)} is not something that a foot does: {known} or `turn to 64`")
        return text

    def schema(self) -> dict[str, Any]:
        return {"anyOf": [{"enum": list(_WORDS)}, {"type": "string", "pattern": rf"^\s*turn\s+to\s+{_NUMBER}\s*$"}]}


class PressModel(FileModel):
    """One thing that a foot does."""

    at: Annotated[int, Duration(NIGHT_S)] = Field(description="when, since the night began: `0:02`, `12.5 s`")
    pedal: Name = Field(description="the pedal, as the rig names it")
    control: Name | None = Field(None, description="the control, as the pedal's mapping names it")
    happens: Annotated[str, HappensText()] = Field(
        description="what the foot does: `press`, `hold`, `double press`, `down`, `up`, `turn to 64` (as the control "
        "sends it); or `unplug`, `plug in`"
    )


class ScriptModel(FileModel):
    """A press script."""

    notes: str | None = Field(None, description="words for people")
    presses: list[PressModel] = Field(max_length=PRESSES_MAX, description="what feet do")


def script_schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of a press script."""
    made = ScriptModel.model_json_schema(by_alias=True)
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **made}


def _told(advice: Advice) -> None:
    """A warning goes beside whatever is printed."""
    from stagectl.term.ink import echo

    echo(str(advice), "warning", err=True)


def read_script(path: Path, plan: Plan, warn: Callable[[Advice], None] = _told) -> list[Timed]:
    """The events of a press script, in the order of their times. Raises FileFaults. `warn`: is told of times that may
    be meant otherwise."""
    loading = Loading()
    script = loading.read(path, ScriptModel, "script")
    if script is None or loading.faults:
        raise FileFaults(loading.faults)
    events: list[Timed] = []
    faults: list[Fault] = []
    unknown: dict[tuple[str, str], list[int]] = {}
    feet = Feet()
    for at, press in sorted(enumerate(script.presses), key=lambda pair: pair[1].at):
        try:
            events += _events(press, plan, feet)
        except _Unknown as error:
            unknown.setdefault((str(error), error.hint), []).append(at)
        except ValueError as error:
            faults.append(loading.sources["script"].fault(str(error), "presses", at))
    for (says, hint), (first, *more) in unknown.items():
        again = f"; {len(more)} more press{'es' * (len(more) > 1)} of it" if more else ""
        faults.append(loading.sources["script"].fault(says + again + hint, "presses", first))
    if faults:
        raise FileFaults(sorted(faults, key=lambda fault: fault.line))
    for advice in _time_advice(loading.sources["script"]):
        warn(advice)
    return sorted(events, key=lambda timed: timed.at)


def _time_advice(source: Source) -> Iterator[Advice]:
    """A warning of the first time that may be minutes and seconds, and how many more there are."""
    presses = source.text.data["presses"]
    found = [(at, one) for at, press in enumerate(presses) if (one := pointed(press["at"], NIGHT_S)) is not None]
    if found:
        (at, first), *more = found
        again = f" ({len(more):,} more press{'es are' if len(more) > 1 else ' is'} timed so)" if more else ""
        yield source.advice(first.says + again + first.hint, "presses", at, "at")


class _Unknown(ValueError):
    """A pedal or a control that the rig does not have. `hint`: what it may have meant."""

    def __init__(self, says: str, hint: str) -> None:
        super().__init__(says)
        self.hint = hint


def _events(press: PressModel, plan: Plan, feet: Feet) -> list[Timed]:
    pedals = [pedal.name for pedal in plan.pedals]
    if press.pedal not in pedals:
        raise _Unknown(f"`{press.pedal}` is not a pedal of the rig", nearest(press.pedal, pedals))
    pedal = pedals.index(press.pedal)
    if press.happens in ("unplug", "plug in"):
        event: Event = PedalWent(pedal=pedal) if press.happens == "unplug" else PedalCame(pedal=pedal)
        return [Timed(press.at, event)]
    controls = [control.name for control in plan.pedals[pedal].controls]
    if press.control is None:
        raise ValueError(f"`control` is missing here{nearest('', controls)}")
    if press.control not in controls:
        says = f"`{press.control}` is not a control of `{press.pedal}`"
        raise _Unknown(says, nearest(press.control, controls))
    at = controls.index(press.control)
    control, turn = plan.pedals[pedal].controls[at], _TURN.fullmatch(press.happens)
    if turn is not None and not control.turns:
        raise ValueError(f"`{press.control}` is a switch: it cannot be turned")
    if turn is not None and control.in_steps(float(turn[1])) > control.top:
        raise ValueError(f"`{press.control}` sends 0 to {control.as_sent(control.top)}: `{turn[1]}` is above that")
    moves = feet.moves((pedal, at), press.happens, control)
    return [Timed(press.at + after, Moved(pedal=pedal, control=at, value=value)) for after, value in moves]


class Feet:
    """What feet make the controls send. Remembers which latching switches are on."""

    def __init__(self) -> None:
        self._on: set[tuple[int, int]] = set()

    def moves(self, key: tuple[int, int], happens: str, control: Control) -> list[tuple[int, int]]:
        """What a control sends for a thing that a foot does: the times after it began, ns, and the values. `key`: the
        pedal's and the control's index."""
        turn = _TURN.fullmatch(happens)
        if turn is not None:
            return [(0, control.in_steps(float(turn[1])))]
        moves = _MOVES[happens](control)
        if not control.gives_release:
            return [(after, _value(control, down)) for after, down in moves if down]
        if control.switch.latching:
            return [(after, self._click(key, control)) for after, down in moves if down]
        return [(after, _value(control, down)) for after, down in moves]

    def _click(self, key: tuple[int, int], control: Control) -> int:
        """A latching switch changes its state with each way down."""
        self._on ^= {key}
        return _value(control, key in self._on)


def _value(control: Control, down: bool) -> int:
    """A switch that rests closed says the top while nobody stands on it."""
    return control.top if down is not control.switch.rests_closed else 0


def _press(_: Control) -> list[tuple[int, bool]]:
    return [(0, True), (PRESS_NS, False)]


def _double(control: Control) -> list[tuple[int, bool]]:
    again = min(2 * PRESS_NS, control.timing.double_ns // 2)
    return [(0, True), (again // 2, False), (again, True), (again + PRESS_NS, False)]


_MOVES: Final[Mapping[str, Callable[[Control], list[tuple[int, bool]]]]] = {
    "press": _press,
    "hold": lambda control: [(0, True), (control.timing.hold_ns + BEYOND_NS, False)],
    "double press": _double,
    "down": lambda _: [(0, True)],
    "up": lambda _: [(0, False)],
}
