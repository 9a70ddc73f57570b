"""Whole mixes that the show does not drive: what the ceiling of a mix counts of them.

Nobody tells the desk their levels, and each counts as 0 dB. Where the desk says that one is above that, what it is
above counts: in what may be told (`telling.py`) at once; in what is wanted, where all inputs of the mix are held lower
together, when the hand that put it there rests or the desk was read (`touch.py`), and at every stop. The whole mix
itself stays as it was put; the ceiling of its listener's sends does not count for it, since no message is about it.
Where it comes down again, nothing rises for that before the next stop: whoever takes it down has to hear it. Below 0 dB
it makes no room, since a hand may bring it back up.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from stagectl.core.levels import Level
from stagectl.core.plan import Plan
from stagectl.core.state import State

NONE: Final[Mapping[int, int]] = MappingProxyType({})

COUNTS_AS: Final = 0
"""The level as which such a whole mix counts where the desk says none above it, hundredths of a dB."""


def above_zero(level: Level | None) -> int:
    """How far a level is above 0 dB, hundredths of a dB."""
    return max(0, level) if isinstance(level, int) else 0


def is_left_alone(plan: Plan, send: int) -> bool:
    """Whether a send is a whole mix that the desk has a message for, and the show does not drive."""
    is_whole = send % plan.width == plan.whole and plan.whole_grid is not None
    return is_whole and plan.stops[0].levels[send] is None


def above_now(plan: Plan, state: State) -> Mapping[int, int]:
    """By listener, how far such whole mixes are above 0 dB at the desk. What it does not say now stays what it was."""
    found: dict[int, int] = {}
    for listener, mix in enumerate(plan.mixes):
        asked = state.asked[mix.stop - 1]
        by = state.above.get(listener, 0) if asked is None else above_zero(asked)
        if by and is_left_alone(plan, mix.stop - 1):
            found[listener] = by
    return MappingProxyType(found) if found else NONE
