"""What is asked for on the page of a rehearsal beyond what a night's page can ask (`view/asked.py`): feet on pedals,
its time, and jumps. One table.

A want is a flat object of JSON (`view/wants.py`); what it means is looked at here.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final, TypeAlias

from stagectl.core.actions import Action, GoTo, PauseCue, StartCue, StopCue
from stagectl.core.events import Wanted
from stagectl.core.plan import Plan
from stagectl.core.state import Key
from stagectl.errors import nearest
from stagectl.rehearse.drive import TURN_MAX, Drive
from stagectl.rehearse.pace import SPEEDS
from stagectl.story.rows import PAGE
from stagectl.view.asked import FOR_ALL, FOR_ONE, NUDGE, asked

Want: TypeAlias = Mapping[str, Any]
Does: TypeAlias = Callable[[Drive, Want, int], None]


def ask(drive: Drive, want: Want, real: int) -> None:
    """Do what is asked for, at a monotonic time, ns. Raises ValueError where that cannot be, with a sentence that says
    what is wrong and what is allowed."""
    word = want.get("do")
    does = DO.get(word) if isinstance(word, str) else None
    if does is not None:
        does(drive, want, real)
    elif word in OF_THE_NIGHT:
        drive.want(real, asked(drive.room.plan, want))
    else:
        raise ValueError(f"nothing is done by `{word}`{nearest(str(word), (*DO, *OF_THE_NIGHT))}")


def _action(action: Action) -> Does:
    return lambda drive, want, real: drive.want(real, Wanted(action=action, who=PAGE))


def _move(drive: Drive, want: Want, real: int) -> None:
    key = _control(drive.room.plan, want)
    if not isinstance(want.get("down"), bool):
        raise ValueError("`down` says whether the foot is on the control: true or false")
    if drive.control(key).turns:
        raise ValueError(f"`{want['control']}` is a treadle: it is turned")
    drive.move(real, key, down=want["down"])


def _turn(drive: Drive, want: Want, real: int) -> None:
    key = _control(drive.room.plan, want)
    if not drive.control(key).turns:
        raise ValueError(f"`{want['control']}` is a switch: it cannot be turned")
    drive.turn(real, key, _number(want, "value", range(TURN_MAX + 1)))


def _speed(drive: Drive, want: Want, real: int) -> None:
    speed = _number(want, "is", SPEEDS)
    drive.go_on(real)
    drive.pace.change(real, speed=speed)


def _still(*, still: bool) -> Does:
    def does(drive: Drive, _: Want, real: int) -> None:
        drive.go_on(real)
        drive.pace.change(real, still=still)

    return does


def _jump(drive: Drive, want: Want, real: int) -> None:
    """To a song, or a section of it. `number`: which of the songs it is, from 1, where several have that name; 0 is the
    base."""
    plan = drive.room.plan
    firsts = {stop.song + 1: at for at, stop in enumerate(plan.stops) if stop.section < 0}
    number = want.get("number")
    if number not in firsts or plan.stops[firsts[number]].name != want.get("song"):
        number = _one(want, "song", [plan.stops[at].name for at in firsts.values()])
    stop = firsts[number]
    if want.get("section"):
        parts = [at for at, one in enumerate(plan.stops) if one.song + 1 == number and one.section >= 0]
        stop = parts[_one(want, "section", [plan.stops[at].name for at in parts])]
    drive.want(real, Wanted(action=GoTo(stop=stop), who=PAGE))


OF_THE_NIGHT: Final = (*FOR_ALL, *FOR_ONE, NUDGE)
"""What a night's page can ask for too."""

DO: Final[Mapping[str, Does]] = {
    "move": _move,
    "turn": _turn,
    "speed": _speed,
    "hold still": _still(still=True),
    "go on": _still(still=False),
    "jump": _jump,
    "skip": lambda drive, _, real: drive.skip(real),
    "leave": lambda drive, _, real: drive.stop_playing(),
    "start here": _action(StartCue(here=True)),
    "pause cue": _action(PauseCue()),
    "stop cue": _action(StopCue()),
}
"""What only a rehearsal can do."""


def _control(plan: Plan, want: Want) -> Key:
    pedal = _one(want, "pedal", [pedal.name for pedal in plan.pedals])
    return pedal, _one(want, "control", [control.name for control in plan.pedals[pedal].controls])


def _one(want: Want, key: str, names: Sequence[str]) -> int:
    """Where the name under a key stands among those that there are."""
    name = want.get(key)
    if not isinstance(name, str) or name not in names:
        raise ValueError(f"there is no {key} `{name}`{nearest(str(name), names)}")
    return names.index(name)


def _number(want: Want, key: str, allowed: Sequence[int]) -> int:
    value = want.get(key)
    if not isinstance(value, int) or isinstance(value, bool) or value not in allowed:
        known = f"{allowed[0]} to {allowed[-1]}" if isinstance(allowed, range) else " or ".join(map(str, allowed))
        raise ValueError(f"`{key}` is {value}; it can be {known}")
    return value
