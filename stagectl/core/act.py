"""What each action does to the night: the table that finds its function.

Each either changes the state and records it, or refuses and changes nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

from stagectl.core.actions import (
    Action,
    Back,
    ClearNudges,
    FallBack,
    GoTo,
    Hush,
    Next,
    Nothing,
    Nudge,
    NudgeRest,
    PauseCue,
    Recall,
    StartCue,
    StopCue,
    SwitchLayer,
    Tell,
    Undo,
)
from stagectl.core.advancing import back, fall_back, go_to, next_stop, recall
from stagectl.core.cues import pause_cue, stop_cue
from stagectl.core.others import nothing, switch_layer, tell
from stagectl.core.touch import take_all
from stagectl.core.tracks import start_cue
from stagectl.core.undoing import undo
from stagectl.core.wishing import clear_nudges, hush, nudge, nudge_rest
from stagectl.core.work import Presser, Work

DO: Final[Mapping[type, Callable[[Work, Presser, Any], None]]] = {
    Next: next_stop,
    Back: back,
    GoTo: go_to,
    Recall: recall,
    FallBack: fall_back,
    Nudge: nudge,
    NudgeRest: nudge_rest,
    ClearNudges: clear_nudges,
    Hush: hush,
    Undo: undo,
    StartCue: start_cue,
    PauseCue: pause_cue,
    StopCue: stop_cue,
    Tell: tell,
    SwitchLayer: switch_layer,
    Nothing: nothing,
}


def act(work: Work, by: Presser, action: Action) -> None:
    """Do an action. What hands have moved on the desk until now comes before it."""
    if work.state.touches:
        take_all(work)
    DO[type(action)](work, by, action)
