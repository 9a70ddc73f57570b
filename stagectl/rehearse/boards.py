"""Every board of a rehearsal's page, made where something that it shows has changed. Nothing here does I/O."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

from stagectl.core.levels import text
from stagectl.core.state import Key, State
from stagectl.desk.meaning import Spot
from stagectl.desk.virtual import Brought, VirtualDesk
from stagectl.live.going import Going
from stagectl.rehearse.drive import Drive
from stagectl.rehearse.keys import keys_of
from stagectl.rehearse.room import Moment
from stagectl.sheet.scene_map import scene_map
from stagectl.show.compile import Compiled
from stagectl.show.load import Show
from stagectl.show.wire_time import takes_ns
from stagectl.story.wire import Sent
from stagectl.view.lamps import Known, lamps
from stagectl.view.last import Lasts, Notice, notice_of
from stagectl.view.map_board import map_board
from stagectl.view.picture import Moment as ByClocks
from stagectl.view.picture import Picture, SetClock, Told
from stagectl.view.room_account import Accounts
from stagectl.view.room_board import Table, desk_board
from stagectl.view.room_feet import Feet
from stagectl.view.room_step import Steps, rows_of
from stagectl.view.room_time import Passing, Timeline
from stagectl.view.room_wire import Wire

MEANS_MAX: Final = 3
"""Levels of one message that are told in words; a stored scene moves more."""


class Boards:
    """The boards of a show at a venue."""

    def __init__(self, show: Show, compiled: Compiled, venue: str | None) -> None:
        self.plan = compiled.plan
        self.steps = Steps(self.plan)
        self._table = Table(show, self.plan, venue)
        keys = {(key.pedal, key.control): name for name, key in keys_of(self.plan).items()}
        self._accounts = Accounts(show, self.plan, venue)
        self._feet = Feet(show, self.plan, keys)
        self._timeline = Timeline(show, self.plan)
        self._picture = Picture(show, self.plan, venue, "rehearsal")
        self._going = Going(show, self.plan)
        self._ear = _Ear(show)
        self._wire = Wire(lambda packet: takes_ns((packet,), show.profile, show.rig), self._ear.words)
        self._map = scene_map(show, compiled)
        self._lasts = Lasts(self.plan.listeners)
        self._notice: Notice | None = None
        self._shown: dict[str, tuple[object, ...]] = {}
        self._told = 0
        """How often the story has gone on."""

    def go_on_from(self, other: Boards, state: State) -> None:
        """The night goes on by edited files, in `state`; `other` has shown it by those of before. What has been told
        of it is told on: when its song began, the last press, the story, the messages."""
        self.steps.go_on_from(other.steps)
        self._going.go_on_from(other._going, state)
        self._wire.go_on_from(other._wire)
        self._lasts.go_on_from(other._lasts)
        self._notice = other._notice

    def hear(self, moments: Sequence[Moment], state: State) -> None:
        """Something has happened in the room."""
        for moment in moments:
            if isinstance(moment, Sent):
                self._wire.hear(moment)
        rows = rows_of(moments)
        self._going.look(state)
        if rows:
            self._told += 1
            self.steps.hear(rows)
            self._lasts.hear(rows, 0, desk_here=state.desk_here)
            self._notice = notice_of(rows, 0) or self._notice

    def say(self, at: int, sentence: str) -> None:
        """Something to tell on the page that is no part of the night."""
        self._told += 1
        self.steps.say(at, sentence)

    def why(self, want: Mapping[str, Any], state: State, wall_ms: int) -> dict[str, Any]:
        """Why a level is what it is, as it was asked for. Raises ValueError where there is no such level."""
        return self._accounts.board(str(want.get("listener")), str(want.get("input")), state, wall_ms)

    def static(self, wall_ms: int) -> Iterator[tuple[str, dict[str, Any]]]:
        """The boards that stay as they are until files change."""
        yield "set", self._timeline.whole(wall_ms)
        yield "map", map_board(self._map, wall_ms)

    def changed(self, drive: Drive, real: int, wall_ms: int) -> Iterator[tuple[str, Mapping[str, Any]]]:
        """The boards that show something else than when they were made last."""
        room, pace, night = drive.room, drive.pace, drive.now(real)
        state = room.state
        place = (state.place, state.recalled)
        wishes = (state.wanted, state.hushed, state.held, state.left)
        time_ = (pace.rate, pace.speed, pace.still, drive.plays, drive.done)
        track = (state.track, state.starts)
        second = _second(pace.rate, wall_ms)
        down = frozenset(drive.down)
        if self._is_new("room", place, wishes, self._told):
            yield "room", self._table.board(state, self.steps, wall_ms)
        if self._is_new("desk", state.asked, state.known.said):
            yield "desk", desk_board(self.plan, room.level, wall_ms)
        turned: Mapping[Key, int] = drive.turned
        if self._is_new("feet", place, state.layers, state.lights, down, tuple(turned.items())):
            yield "feet", self._feet.board(state, down, turned, wall_ms)
        if self._is_new("timeline", place, time_, track, second):
            yield "timeline", self._timeline.board(state, self._passing(drive, night), wall_ms)
        if self._is_new("wire", self._wire.count):
            yield "wire", self._wire.board(wall_ms)
        if self._is_new("stage", place, wishes, time_, track, self._told, second):
            yield "stage", self._stage(drive, ByClocks(night, wall_ms))

    def _is_new(self, board: str, *shown: object) -> bool:
        if self._shown.get(board) == shown:
            return False
        self._shown[board] = shown
        return True

    def _passing(self, drive: Drive, night: int) -> Passing:
        pace = drive.pace
        return Passing(
            at=night,
            rate=pace.rate,
            speed=pace.speed,
            still=pace.still,
            began=self._going.began or 0,
            plays=drive.plays,
            done=drive.done,
            next_at=drive.next_at,
        )

    def _stage(self, drive: Drive, now: ByClocks) -> Mapping[str, Any]:
        state = drive.room.state
        here = Known(pedals_here=range(len(self.plan.pedals)), clients=1, devices_here=self.plan.devices)
        clock = SetClock(self._going.began, self._going.to_go(state, now.ns))
        shown = [lamp for lamp in lamps(self.plan, state, here) if lamp["what"] not in ("journal", "page")]
        told = Told(self._lasts.last, self._notice, shown, tuple(self._lasts.apart()))
        return {**self._picture.board(state, now, clock, told)}


def _second(rate: int, wall_ms: int) -> int:
    """Pages count on by themselves at the speed of a stage; at any other they are told the time each second."""
    return 0 if rate == 1 else wall_ms // 1_000


class _Ear:
    """What the desk makes of messages, in words: a desk of the same kind that hears them too."""

    def __init__(self, show: Show) -> None:
        rig = show.rig
        self._desk = VirtualDesk.of(show)
        self._inputs = {one.socket: one.name for one in rig.inputs}
        self._listeners = {one.mix: one.name for one in rig.listeners}

    def words(self, packet: bytes) -> str:
        """`click in the mix of drummer: -6 dB`; nothing for a message that is only a part of one."""
        told = [one.heard for one in self._desk.happenings(packet) if isinstance(one, Brought)]
        said = [f"{self._place(Spot(one.mix, one.socket))}: {text(one.level)}" for one in told[:MEANS_MAX]]
        more = len(told) - len(said)
        return "; ".join([*said, *([f"and {more} more"] if more else [])])

    def _place(self, spot: Spot) -> str:
        name = "whole mix" if spot.socket is None else self._inputs[spot.socket]
        return f"{name} in the mix of {self._listeners[spot.mix]}"
