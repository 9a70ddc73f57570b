"""The stage page of a night: its board is made soon after the bytes have left; what clients want goes to the core.

The board is made anew where something that it shows has changed, and never more often than every `EVERY_S`; where
nobody looks, every `IDLE_S`. Nothing here is on the way of a press: the state is looked at when its event is over, and
drawn by a timer.
"""

from __future__ import annotations

import asyncio
import sys
import time
from collections.abc import Callable, Coroutine, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

from stagectl.core.events import Event
from stagectl.core.state import State
from stagectl.live.going import Going
from stagectl.live.links import KeyboardLink, Link, OutLink, PedalLink
from stagectl.live.page_keys import NightKeys
from stagectl.show.compile import Compiled
from stagectl.show.load import Show
from stagectl.story.rows import PAGE, Row
from stagectl.view.asked import asked
from stagectl.view.client import Page, PageHeard
from stagectl.view.guard import is_loopback
from stagectl.view.lamps import Known, LampEntry, lamps
from stagectl.view.last import Lasts, Notice, notice_of
from stagectl.view.lines import Open
from stagectl.view.picture import Moment, Picture, SetClock, Told
from stagectl.view.qr import told_address

EVERY_S: Final = 0.02
"""The least time between two boards, s."""

SOON_S: Final = 0.002
"""How long after an event its board is made, s: by then its bytes have left."""

IDLE_S: Final = 1.0
"""The least time between two boards while nobody looks, s; and how often it is looked whether a lamp has changed."""

SET_MS: Final = 500
"""From here on the clock on the wall counts as set, against the monotonic one, ms."""

REFUSED_EVERY_S: Final = 60.0
"""The least time between two sentences about wants that came to nothing, s; what comes between them is counted."""

TOO_LATE: Final = "it came too late"
"""Why a want was refused that waited for longer than whoever asked for it."""

STAGE: Final = "stage"
MAP: Final = "map"
"""The boards of a night."""


@dataclass(frozen=True, kw_only=True)
class Around:
    """What the page needs of the night. `state`: as it is; `handle`: takes an event at a monotonic time, ns; `clock`:
    what the clock says of the set at such a time; `known`: how the connections are, but for the page itself; `say`,
    `warn`: take sentences. `zero`: when the night began, monotonic ns."""

    state: Callable[[], State]
    handle: Callable[[Event, int], None]
    clock: Callable[[State, int], SetClock]
    known: Callable[[], Known]
    say: Callable[[Sequence[str]], None]
    warn: Callable[[str], None]
    zero: int


class Served(NamedTuple):
    """Where the page is to be served, and whether it may control."""

    host: str
    port: int
    control: bool = False

    def opened(self, title: str, keys: NightKeys) -> Open:
        """As the page's process is told, with this night's keys: one to read where others than this machine can reach
        it, one to control where that is wanted."""
        read = None if is_loopback(self.host) else keys.read
        control = keys.control if self.control else None
        return Open(self.host, self.port, title, "night", read, control)


class NightPage:
    """The page of one night, made in the loop."""

    def __init__(self, show: Show, compiled: Compiled, venue: str | None, open_: Open, around: Around) -> None:
        self.clients = 0
        self._plan, self._around = compiled.plan, around
        self._picture = Picture(show, compiled.plan, venue)
        self._open = open_
        heard = PageHeard(
            changed=self._changed, want=self._want, late=self._late, clients=self._clients_are, trouble=around.warn
        )
        self.page = Page(open_, heard)
        self._loop = asyncio.get_running_loop()
        self._timer: asyncio.TimerHandle | None = None
        self._made_at = 0.0
        self._shown: tuple[object, ...] = ()
        self._lamps: list[LampEntry] = []
        self._lasts = Lasts(compiled.plan.listeners)
        self._notice: Notice | None = None
        self._clocks = (0, 0)
        """When the monotonic clock was 0, by the one on the wall, ms; how far that is ahead of UTC, minutes."""
        self._printed = False
        self._told: set[str] = set()
        self._refusing: asyncio.TimerHandle | None = None
        """Until a want that comes to nothing is told again."""
        self._refused_more = 0
        self._safely(self._put_map, show, compiled)
        self._make()

    @property
    def chores(self) -> list[tuple[str, Callable[[], Coroutine[Any, Any, None]]]]:
        """What has to be kept going."""
        return [("the page", self.page.forever), ("the page's lamps", self._watch_lamps)]

    def close(self) -> None:
        """The night is over."""
        if self._timer is not None:
            self._timer.cancel()
        self._tell_refused()
        self._no_refusing()
        self.page.close("the night is over")

    # -- the board --------------------------------------------------------------------------------------------

    def look(self, state: State) -> None:
        """The state after an event."""
        if self._timer is None and any(a is not b for a, b in zip(self._shown, _shown(state), strict=False)):
            self._soon()

    def know(self, lengths: Mapping[int, int]) -> None:
        """So long are the tracks of songs by their stems, ns."""
        self._picture.know(lengths)
        self._soon()

    def told(self, rows: Sequence[Row]) -> None:
        """What people were told."""
        zero, here = self._around.zero, self._around.state().desk_here
        new, notice = self._lasts.hear(rows, zero, desk_here=here), notice_of(rows, zero)
        if new or notice is not None:
            self._notice = notice or self._notice
            self._soon()

    def _soon(self) -> None:
        if self._timer is None:
            every = EVERY_S if self.clients else IDLE_S
            at = max(self._loop.time() + SOON_S, self._made_at + every)
            self._timer = self._loop.call_at(at, self._make)

    def _make(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
        self._timer, self._made_at = None, self._loop.time()
        self._safely(self._put)

    def _put(self) -> None:
        around, moment = self._around, _moment()
        state = around.state()
        self._shown, self._clocks = _shown(state), self._clocks_at(moment)
        self._lamps = self._lamps_now(state)
        told = Told(self._lasts.last, self._notice, self._lamps, tuple(self._lasts.apart()))
        self.page.put(STAGE, self._picture.board(state, moment, around.clock(state, moment.ns), told))

    def _put_map(self, show: Show, compiled: Compiled) -> None:
        from stagectl.sheet.scene_map import scene_map
        from stagectl.view.map_board import map_board

        self.page.put(MAP, map_board(scene_map(show, compiled), _moment().wall_ms))

    def _lamps_now(self, state: State) -> list[LampEntry]:
        return lamps(self._plan, state, self._around.known()._replace(clients=self.clients))

    async def _watch_lamps(self) -> None:
        """Lamps change by themselves, too, and clocks are set."""
        while True:
            await asyncio.sleep(IDLE_S)
            (zero, utc), (zero_now, utc_now) = self._clocks, self._clocks_at(_moment())
            was_set = abs(zero_now - zero) > SET_MS or utc_now != utc
            if was_set or self._lamps_now(self._around.state()) != self._lamps:
                self._soon()

    def _clocks_at(self, moment: Moment) -> tuple[int, int]:
        return moment.wall(0), self._picture.utc(moment.wall_ms)

    def _safely(self, does: Callable[..., None], *what: Any) -> None:
        """What a board meets is said, once, and ends nothing."""
        try:
            does(*what)
        except Exception as error:  # noqa: BLE001 - a fault in one part stops no other
            sentence = f"the page: {type(error).__name__}: {error}"
            if sentence not in self._told:
                self._told.add(sentence)
                self._around.warn(sentence)

    # -- what the page says -----------------------------------------------------------------------------------

    def _changed(self, here: bool, text: str) -> None:
        if not here:
            self._around.warn(text)
        elif self._printed:
            self._around.say([f"the page is served again at {text}"])
        else:
            self._printed = True
            self._around.say(addresses(text, self._open, at_terminal=sys.stdout.isatty()))

    def _clients_are(self, count: int) -> None:
        self.clients = count
        # Whoever has just come is not left with a board that nobody looked at.
        self._make()

    def _want(self, want: dict[str, Any]) -> None:
        try:
            event = asked(self._plan, want)
        except ValueError as error:
            self._refuse(f"the page asked for what cannot be done: {error}")
            return
        self._around.handle(event, time.monotonic_ns())

    def _late(self, want: dict[str, Any], ago_s: float) -> None:
        """What was asked for while the night stood still. It is shown as any refusal; whoever asked is told."""
        try:
            event = asked(self._plan, want)
        except ValueError:
            who, what = PAGE, str(want.get("do"))
        else:
            who, what = event.who, str(want["do"])
        at = time.monotonic_ns() - self._around.zero
        self.told([Row(at, "refusal", who=who, what=what, detail=TOO_LATE)])
        self._refuse(f"{who}: `{what}` was asked for {ago_s:.1f} s ago, while the night stood still; {TOO_LATE}")

    def _refuse(self, sentence: str) -> None:
        """A want has come to nothing. It is told at once, and not again for a while: who may control may ask for
        nonsense as fast as a hand on two treadles."""
        if self._refusing is not None:
            self._refused_more += 1
            return
        self._refusing = self._loop.call_later(REFUSED_EVERY_S, self._tell_refused)
        self._around.warn(sentence)

    def _tell_refused(self) -> None:
        """Tell how many there were since the last that was told."""
        more, self._refused_more = self._refused_more, 0
        self._no_refusing()
        if more:
            times = "once" if more == 1 else f"{more:,} times"
            self._refuse(f"the page asked {times} more for what cannot be done, or too late")

    def _no_refusing(self) -> None:
        if self._refusing is not None:
            self._refusing.cancel()
            self._refusing = None


def _shown(state: State) -> tuple[object, ...]:
    """What of the state the board shows; what has not changed is the same object."""
    return (
        state.place,
        state.nudges,
        state.rides,
        state.hushed,
        state.held,
        state.wanted,
        state.steps,
        state.track,
        state.players_here,
        state.desk_here,
    )


def _moment() -> Moment:
    return Moment(time.monotonic_ns(), time.time_ns() // 1_000_000)


def addresses(url: str, open_: Open, *, at_terminal: bool) -> list[str]:
    """What is printed when the page is here: a line for each address, and below it its code for a phone's camera, where
    a terminal can show it and more than this machine can reach it, or it controls."""
    far = open_.read_key is not None
    out = told_address("page", f"{url}?key={open_.read_key}" if far else url, coded=at_terminal and far)
    if open_.control_key is not None:
        out += told_address("page with controls", f"{url}?key={open_.control_key}", coded=at_terminal)
    return out


class Connections:
    """How the connections are, as the lamps say it. `feet`: the link of each pedal by its index; one that is heard over
    OSC has none, and is here. `outs`: the desk and the players by name."""

    def __init__(
        self,
        pedals: Sequence[str],
        links: Sequence[Link],
        silent: Callable[[], bool],
        journal: Callable[[], str | None],
    ) -> None:
        feet = {link.name: link for link in links if type(link) in (PedalLink, KeyboardLink)}
        self._feet: list[PedalLink | KeyboardLink | None] = [_foot(feet.get(name)) for name in pedals]
        self._outs = {link.name: link for link in links if isinstance(link, OutLink)}
        self._silent, self._journal = silent, journal
        self._met: set[str] = set()

    def known(self) -> Known:
        """As they are."""
        here = {at for at, link in enumerate(self._feet) if link is None or link.here}
        some: list[PedalLink | KeyboardLink | OutLink] = [link for link in self._feet if link is not None]
        some += self._outs.values()
        self._met.update(link.name for link in some if link.here)
        wants = {link.name: link.wants for link in some}
        outs = frozenset(name for name, link in self._outs.items() if link.here)
        return Known(here, wants, frozenset(self._met), self._silent(), self._journal(), devices_here=outs)


def _foot(link: Link | None) -> PedalLink | KeyboardLink | None:
    return link if isinstance(link, PedalLink | KeyboardLink) else None


def set_clock(going: Going, state: State, now: int, curfew_ms: int | None) -> SetClock:
    """What the clock says of the set."""
    return SetClock(going.began, going.to_go(state, now), curfew_ms)
