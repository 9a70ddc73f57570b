"""Boards of the stage page, made by the program itself from real shows and real steps of the core."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any, Final

from stagectl.core.actions import GoTo, Hush, Next, Nudge
from stagectl.core.effects import Effect
from stagectl.core.events import DeskCame, DeskSaid, Event, PlayerCame, Wanted
from stagectl.core.levels import Level
from stagectl.core.state import State, begin
from stagectl.core.step import step
from stagectl.show.compile import Compiled, compile_show
from stagectl.show.load import Show, load_show
from stagectl.story.rows import Teller
from stagectl.view.lamps import Known, lamps
from stagectl.view.last import Lasts, Notice
from stagectl.view.picture import Board, Moment, Picture, SetClock, Told
from stagectl.where import shipped

DEMO: Final = shipped("setlists") / "nine-songs"
SECOND: Final = 1_000_000_000
WALL_MS: Final = 1_795_636_800_000
"""2026-11-25T20:00:00Z."""


class Evening:
    """A night that is driven by wants, a second apart, and the board of it at any time. `desk`: whether there is one;
    it answers nothing."""

    def __init__(self, show: Show, compiled: Compiled, venue: str | None = None, *, desk: bool = True) -> None:
        self.plan = compiled.plan
        self.state: State = begin(self.plan, 0)
        self.now = 0
        self.picture = Picture(show, self.plan, venue)
        self.told = Told()
        self._lasts = Lasts(self.plan.listeners)
        self.known = Known(pedals_here=range(len(self.plan.pedals)), clients=1, devices_here=self.plan.devices)
        self.wall_ms = WALL_MS
        self._teller = Teller(self.plan)
        if desk:
            self.do(DeskCame())
        for player in range(len(self.plan.players)):
            self.do(PlayerCame(player=player))

    @property
    def moment(self) -> Moment:
        """Now, by both clocks."""
        return Moment(self.now, self.wall_ms + self.now // 1_000_000)

    def do(self, event: Event, after: int = SECOND) -> tuple[Effect, ...]:
        """An event, some time after the one before."""
        self.now += after
        self.state, effects = step(self.plan, self.state, event, self.now)
        self._lasts.hear(self._teller.rows(effects), 0, desk_here=self.state.desk_here)
        self.told = self.told._replace(last=self._lasts.last, lasts=tuple(self._lasts.apart()))
        return effects

    def want(self, action: Any, listener: int | None = None, after: int = SECOND) -> None:
        """Something is asked for by the page."""
        self.do(
            Wanted(action=action, who="page" if listener is None else self.plan.listeners[listener], listener=listener),
            after,
        )

    def nudge(self, listener: int, column: int | None, by: int, times: int = 1) -> None:
        """A listener nudges something, so many times."""
        for _ in range(times):
            self.want(Nudge(column=column, by=by), listener)

    def hand(self, send: int, level: Level) -> None:
        """A hand moves a send at the desk."""
        self.do(DeskSaid(send=send, level=level))

    def board(self, clock: SetClock | None = None, notice: Notice | None = None) -> Board:
        """The board now."""
        clock = clock or SetClock(self.now - 83 * SECOND, 2_400 * SECOND, WALL_MS + 9_000_000)
        told = self.told._replace(notice=notice, lamps=lamps(self.plan, self.state, self.known))
        return self.picture.board(self.state, self.moment, clock, told)


@cache
def demo() -> tuple[Show, Compiled]:
    """The demo show."""
    show = load_show(DEMO)
    return show, compile_show(show, "Tidewater Hall")


def evening() -> Evening:
    """The demo night, at its first song, with some nudges."""
    night = Evening(*demo(), "Tidewater Hall")
    night.want(Next())
    column = night.plan.inputs.index
    night.nudge(0, None, 100, 3)
    night.nudge(0, column("guitar"), -100, 2)
    night.nudge(0, column("click"), 100, 2)
    night.nudge(1, None, 100, 2)
    night.nudge(1, column("bass"), 300)
    night.nudge(2, column("keys"), -300, 2)
    night.nudge(4, column("lead vocal"), 100, 4)
    night.want(Hush(everyone=False), 3)
    return night


def at_stop(night: Evening, song: str, section: str | None = None) -> None:
    """Go to a place by its names."""
    plan = night.plan
    names = [(plan.song_name(at), stop.name if stop.section >= 0 else None) for at, stop in enumerate(plan.stops)]
    night.want(GoTo(stop=names.index((song, section))))


def show_at(folder: Path) -> tuple[Show, Compiled]:
    """A show in a folder."""
    show = load_show(folder)
    return show, compile_show(show)
