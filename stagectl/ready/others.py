"""Is a night being played already? A desk is driven by one process, and a second one is refused."""

from __future__ import annotations

from typing import Final

from stagectl.live.record import desk_driver
from stagectl.ready.finding import Finding, fine, look, wrong
from stagectl.ready.room import Room

TONIGHT: Final = "tonight"
OTHERS: Final = "other nights"


def others(room: Room) -> list[Finding]:
    """Who plays the show, or drives its desk."""
    playing = room.player
    return [judged(desk_driver(room.show)) if playing is None else played(playing)]


def played(pid: int) -> Finding:
    """What is to be said where a process plays this very show."""
    do = "leave it to that: it goes on by itself, and `stagectl log --follow` tells of it"
    return look(TONIGHT, f"this show is being played now, by process {pid}", do)


def judged(pid: int | None) -> Finding:
    """What is to be said where a process drives the desk with another show."""
    if pid is None:
        return fine(OTHERS, "no other process drives this desk")
    return wrong(OTHERS, f"process {pid} drives this desk already", "leave the night to it, or end it")
