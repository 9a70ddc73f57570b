"""Scenes that the desk stores itself: told when their song begins, or, where the desk is away then, when it is back."""

from __future__ import annotations

from types import MappingProxyType

from msgspec.structs import replace

from stagectl.core.effects import RecallStored
from stagectl.core.work import Work


def song_begins(work: Work, press: int, number: int | None) -> None:
    """A song begins, with the desk's scene `number`, if it has one. One that is still owed to the song before it is
    owed no more."""
    if number is not None:
        work.set(scene_owed=number)
        if work.state.desk_here:
            pay(work, press)
    elif work.state.scene_owed is not None:
        work.set(scene_owed=None)


def pay(work: Work, press: int) -> None:
    """The desk is told the scene that is owed to it, if any."""
    number, known = work.state.scene_owed, work.state.known
    if number is None:
        return
    work.out(RecallStored(at=work.at, press=press, number=number))
    work.carries(work.plan.link.recall_ns)
    known = replace(known, stored=work.at, before=MappingProxyType({}))
    # What the desk itself stored is not known here: afterwards everything is asserted, whatever hands have left.
    nothing = (None,) * len(work.state.asked)
    work.set(asked=nothing, retell=frozenset(), left=frozenset(), scene_owed=None, known=known)
