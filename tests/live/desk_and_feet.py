"""A night as the daemon plays it, at a clock of its own, with feet and a desk that answers.

The desk has what it was last told, or what a hand has put, and says so whenever it is asked."""

from __future__ import annotations

import time
from pathlib import Path

from stagectl.core.effects import Ask, Question
from stagectl.core.events import DeskCame, DeskSaid, Event, Moved, PedalCame, Wake
from stagectl.core.levels import OFF, Level
from stagectl.core.state import State, begin
from stagectl.core.step import next_wake, step
from stagectl.live.record import Record, record
from stagectl.show.compile import Compiled, compile_show
from stagectl.show.load import Show, load_show
from stagectl.story.heard import heard
from stagectl.story.rows import Row, Teller

SECOND = 10**9
WALL_US = time.time_ns() // 1000
"""When each night began, by the clock on the wall."""
ANSWERS_NS = 2_000_000
"""How long a question is under way, there and back."""


def loaded(folder: Path) -> tuple[Show, Compiled]:
    show = load_show(folder)
    return show, compile_show(show)


def begun(folder: Path, path: Path) -> Record:
    """The night of a show in a journal, begun or taken up."""
    show, compiled = loaded(folder)
    return record(show, compiled.plan, None, path, fresh=False, tell=lambda _: None, warn=lambda _: None)


class DeskAndFeet:
    """Plays a record. `desk`: where the desk stands, by send; a new one has everything off. `told`: what this process
    has told it, in order."""

    def __init__(self, folder: Path, of: Record, desk: dict[int, Level] | None = None) -> None:
        self.plan = loaded(folder)[1].plan
        self.of, self.path = of, of.recorder.path
        self.state: State = begin(self.plan, of.zero) if of.state is None else of.state
        self.at = self.state.now
        self.desk: dict[int, Level] = dict.fromkeys(range(len(self.plan.ceilings)), OFF) if desk is None else desk
        self.told: list[tuple[int, Level]] = []
        self._teller = Teller(self.plan, of.zero)
        self._says: list[tuple[int, int]] = []
        taken = of.taken_up
        if taken is not None:
            # As the daemon does.
            of.recorder.back_at(taken.wall_us)
            for event in taken.goes:
                self._happens(event, of.zero + taken.at)
            of.recorder.back_at(None)
            of.recorder.write(taken.rows(self.at + SECOND), self.wall_us + SECOND // 1000)

    @property
    def wall_us(self) -> int:
        """The clock on the wall, which goes as the night does."""
        return WALL_US + (self.at - self.of.zero) // 1000

    def comes(self) -> None:
        """The pedal and the desk are here, and everything is said."""
        self.happens(PedalCame(pedal=0))
        self.happens(DeskCame())
        self.waits(10)

    def happens(self, event: Event, after: int = SECOND // 10) -> None:
        self._pass(self.at + after)
        self._happens(event, self.at)

    def waits(self, seconds: int) -> None:
        self._pass(self.at + seconds * SECOND)

    def press(self, name: str) -> None:
        [(at, top)] = [(at, one.top) for at, one in enumerate(self.plan.pedals[0].controls) if one.name == name]
        for value in (top, 0):
            self.happens(Moved(pedal=0, control=at, value=value), SECOND // 2)

    def hand(self, which: tuple[str, str], level: Level, *, rests: bool = True) -> None:
        """A hand at the desk, which says so."""
        send = self.plan.sends_by_name[which]
        self._pass(self.at + SECOND // 10)
        self.desk[send] = level
        self._happens(DeskSaid(send=send, level=level), self.at)
        if rests:
            self.waits(10)

    def _pass(self, until: int) -> None:
        """What is due by then, and what the desk answers."""
        while True:
            due = next_wake(self.state)
            dues = [at for at in (due, *(at for at, _ in self._says)) if at is not None]
            if not dues or min(dues) > until:
                break
            self.at = max(self.at, min(dues))
            if self._says and min(self._says)[0] <= self.at:
                self._says.remove(said := min(self._says))
                self._happens(DeskSaid(send=said[1], level=self.desk[said[1]]), self.at)
            else:
                self._happens(Wake(), self.at)
        self.at = max(self.at, until)

    def _happens(self, event: Event, at: int) -> None:
        self.state, effects = step(self.plan, self.state, event, at)
        kept = None if isinstance(event, Wake) else heard(event, self.state.now - self.of.zero)
        self.of.recorder.write(self._teller.rows(effects), self.wall_us, kept)
        for effect in effects:
            if isinstance(effect, Ask):
                self.told += effect.levels
                self.desk |= dict(effect.levels)
            elif isinstance(effect, Question):
                asked = effect.sends or tuple(self.desk)
                self._says += [(self.at + ANSWERS_NS, send) for send in asked]


def ended(night: DeskAndFeet) -> None:
    """The process is gone; what was on its way was written by the one that came next."""
    night.of.recorder.go()
    night.of.recorder.close()


def over(night: DeskAndFeet) -> None:
    """The night has an end."""
    night.of.recorder.write([Row(night.at - night.of.zero, "end")], night.wall_us)
    ended(night)
