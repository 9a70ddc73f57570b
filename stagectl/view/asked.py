"""From what a client wants to what the core does. Pure: the plan says what there is."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

from stagectl.core.actions import Action, Back, ClearNudges, FallBack, Hush, Next, Nudge, StartCue, Undo
from stagectl.core.events import Wanted
from stagectl.core.plan import Plan
from stagectl.errors import nearest
from stagectl.story.rows import PAGE, PAGE_FOR

STEPS: Final = (-300, -100, 100, 300)
"""What a nudge may be, hundredths of a dB."""

OWN: Final = "own"
WHOLE_MIX: Final = "whole mix"
"""The inputs of a nudge that are none by name: the listener's own, and all of the mix."""

FOR_ALL: Final[Mapping[str, Callable[[], Action]]] = {
    "next": Next,
    "back": Back,
    "fall back": FallBack,
    "hush everyone": lambda: Hush(everyone=True),
    "start cue": StartCue,
}
"""What is asked for the whole stage."""

FOR_ONE: Final[Mapping[str, Callable[[], Action]]] = {"hush": Hush, "undo": Undo, "clear nudges": ClearNudges}
"""What is asked for one listener."""

NUDGE: Final = "nudge"


def asked(plan: Plan, want: Mapping[str, Any]) -> Wanted:
    """The event that a want comes to. Raises ValueError, with a sentence, where it makes no sense in this show."""
    does = str(want.get("do"))
    if does in FOR_ALL:
        _only(want, "do")
        return Wanted(action=FOR_ALL[does](), who=PAGE)
    if does in FOR_ONE:
        _only(want, "do", "listener")
        return _for_one(plan, want, FOR_ONE[does]())
    if does == NUDGE:
        _only(want, "do", "listener", "input", "by")
        by = want.get("by")
        if isinstance(by, bool) or by not in STEPS:
            raise ValueError(f"`by` is {_said(by)}; a nudge is one of {', '.join(map(str, STEPS))} hundredths of a dB")
        return _for_one(plan, want, Nudge(by=by, column=_column(plan, want)))
    raise ValueError(f"nothing is done by {_said(want.get('do'))}{nearest(does, (*FOR_ALL, *FOR_ONE, NUDGE))}")


def _for_one(plan: Plan, want: Mapping[str, Any], action: Action) -> Wanted:
    name = want.get("listener")
    if name not in plan.listeners:
        raise ValueError(f"there is no listener {_said(name)}{nearest(str(name), plan.listeners)}")
    # An undo takes back what was done for that one.
    return Wanted(action=action, who=f"{PAGE_FOR}{name}", listener=plan.listeners.index(name))


def _column(plan: Plan, want: Mapping[str, Any]) -> int | None:
    """The column of a nudge, as in `Nudge`."""
    name = want.get("input")
    if name == OWN:
        return None
    if name == WHOLE_MIX:
        return plan.whole
    if name not in plan.inputs:
        raise ValueError(f"there is no input {_said(name)}{nearest(str(name), (*plan.inputs, OWN, WHOLE_MIX))}")
    return plan.inputs.index(name)


def _only(want: Mapping[str, Any], *names: str) -> None:
    for name in want:
        if name not in names:
            raise ValueError(f"`{want['do']}` takes no {_said(name)}{nearest(name, names)}")


def _said(value: object) -> str:
    return "nothing" if value is None else f"`{value}`"
