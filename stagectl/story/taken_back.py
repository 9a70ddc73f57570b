"""Which press an undo has taken back, by what it moved.

No row says so. A press is known by what it moved: the one that an undo takes back moved the same sends by as much the
other way, and of several such presses it is the last. So a hush is told from a nudge, or a hand's move, that went just
as far. Where no press fits, because a change of song has given the mix other levels meanwhile, an undo takes a hush
back only if one of that listener is remembered, and all that has a number moved by as much the other way. The end of a
hush takes it back as well.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from typing import Any, Final, Protocol, TypeAlias

PRESSES_KEPT: Final = 64
"""Presses that are remembered to be taken back: the core remembers as many."""


Moved: TypeAlias = Mapping[Any, int | None]
"""By how much each send was moved, hundredths of a dB; None: from or to `off`."""


class Press(Protocol):
    """A press, or a hand. `hush`: the listener whose mix a hush took down; None where it was none."""

    @property
    def moved(self) -> Moved: ...

    @property
    def hush(self) -> Hashable | None: ...


def taken_back(presses: Sequence[Press], moved: Moved, *, hushes: bool) -> int | None:
    """Where the last press is that moved the same sends by as much the other way; None where there is none. `hushes`:
    whether it may be one."""
    other_way = {send: None if by is None else -by for send, by in moved.items()}
    for at in range(len(presses) - 1, -1, -1):
        if presses[at].moved == other_way and (hushes or presses[at].hush is None):
            return at
    return None


def hush_taken_back(presses: Sequence[Press], listener: Hashable, moved: Moved) -> int | None:
    """Where the hush is that an undo took back which moved some sends of a listener's mix; None where it took back
    something else."""
    found = taken_back(presses, moved, hushes=True)
    if found is not None:
        return None if presses[found].hush is None else found
    by = _amounts(moved)
    for at in range(len(presses) - 1, -1, -1):
        if presses[at].hush == listener and len(by) == 1 and _amounts(presses[at].moved) == {-one for one in by}:
            return at
    return None


def _amounts(moved: Moved) -> set[int]:
    return {by for by in moved.values() if by is not None}
