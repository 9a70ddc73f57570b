"""What a look may look at: the machine that it runs on, and the show."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from stagectl.core.plan import Plan
from stagectl.ready.playing import Playing
from stagectl.show.compile import Compiled
from stagectl.show.load import Show


@dataclass(frozen=True, kw_only=True)
class Machine:
    """This machine, and what was asked for. `setlist`: as it was named; `page`: where the stage page would be served;
    `now`: an aware time; `system`: the root of `/sys`, `/proc` and `/etc`; `midi`: held by whoever asks the MIDI
    drivers, which are asked by one at a time (`ports/midi.py`, `quiet`); `playing`: looks once for the `player`;
    `afterwards`: what is to be closed when all has been told, since a driver may never come back from it."""

    setlist: Path
    venue: str | None = None
    api: str = "auto"
    page: tuple[str, int] | None = None
    now: datetime
    system: Path = Path("/")
    midi: threading.Lock = field(default_factory=threading.Lock)
    playing: Playing = field(default_factory=Playing)
    afterwards: list[Callable[[], None]] = field(default_factory=list)

    @property
    def player(self) -> int | None:
        """The process that plays this very show; None where none does."""
        return self.playing.process(self.setlist)


@dataclass(frozen=True, kw_only=True)
class Room(Machine):
    """The machine, and the show that was read."""

    show: Show
    compiled: Compiled

    @property
    def plan(self) -> Plan:
        """The show's plan at its venue."""
        return self.compiled.plan
