"""Is a night being played already? A desk is driven by one process, and a second one is refused."""

from __future__ import annotations

from typing import Final

from stagectl.live.record import desk_driver
from stagectl.ready.finding import Finding, fine, wrong
from stagectl.ready.room import Room

OTHERS: Final = "other nights"


def others(room: Room) -> list[Finding]:
    """Who drives the show's desk."""
    return [judged(desk_driver(room.show))]


def judged(pid: int | None) -> Finding:
    """What is to be said of that."""
    if pid is None:
        return fine(OTHERS, "no other process drives this desk")
    return wrong(OTHERS, f"process {pid} drives this desk already", "end it, or leave the night to it")
