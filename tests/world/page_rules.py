"""What the stage page is promised, and what it promises: it shows what is, it is bounded, and no press waits for it."""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING, Any, Final

from stagectl.core.events import Wanted
from stagectl.view.asked import asked
from stagectl.view.lines import BOARDS_MAX, LATE_S

from .clock import MS, SECOND
from .inputs import Broken
from .page_end import WAITING_BYTES

if TYPE_CHECKING:
    from .night import World

PAGE: Final = 14

BOARDS_PER_S: Final = 52
"""Boards of one name in a second while somebody looks: one each 20 ms, and two that are made for who has come."""

IDLE_PER_S: Final = 6
"""While nobody does: one a second, and those that are made when somebody comes or goes."""

SHOWS_NS: Final = 3 * SECOND
"""How long a page may take to be shown what is, where nobody holds it up, ns."""

SLACK_NS: Final = 50 * MS


class PageRules:
    """Looks on."""

    def __init__(self, world: World) -> None:
        self.world = world
        self._longest = 0
        self._written: dict[bytes, deque[int]] = {}
        self._asked: deque[tuple[Any, int]] = deque()
        self._nobody_since: int | None = 0
        self._changed_at = 0

    def gone(self) -> None:
        """The page's process, or the program, is no more: what was asked may be lost, and who asked has seen it."""
        self._asked.clear()
        self._written.clear()

    # -- the pipe ---------------------------------------------------------------------------------------------

    def written(self, data: bytes, waits: int) -> None:
        """A line for the page. `waits`: bytes for which the pipe has no room, with it."""
        self._longest = max(self._longest, len(data))
        if self.world.handling:
            raise Broken(9, f"a press waits until {len(data)} bytes are written to the page")
        if waits > WAITING_BYTES + 2 * self._longest:
            raise Broken(8, f"{waits} bytes wait for a page that reads nothing, {WAITING_BYTES} at the most")
        if data.startswith(b'{"board"'):
            self._often(data[:24], self.world.clock.world)

    def _often(self, board: bytes, now: int) -> None:
        some = self._written.setdefault(board, deque())
        some.append(now)
        while some[0] <= now - SECOND:
            some.popleft()
        process = self.world.page_end.process
        people = 0 if process is None else len(process.audience.clients)
        if people:
            self._nobody_since = None
        elif self._nobody_since is None:
            self._nobody_since = now
        idle = self._nobody_since is not None and now - self._nobody_since > 2 * SECOND
        if len(some) > (IDLE_PER_S if idle else BOARDS_PER_S):
            raise Broken(8, f"{len(some)} boards in a second for {people} people who look")

    # -- what is asked for ------------------------------------------------------------------------------------

    def asks(self, want: dict[str, Any], at: int) -> None:
        """The page passes on what somebody asks for."""
        self._asked.append((asked(self.world.compiled.plan, want), at))

    def stepped(self, event: Any, before: Any, after: Any) -> None:
        """A step was taken."""
        if after.place is not before.place or after.track is not before.track or after.desk_here != before.desk_here:
            self._changed_at = self.world.clock.world
        if not isinstance(event, Wanted):
            return
        while self._asked:
            want, at = self._asked.popleft()
            if want != event:
                continue
            late = self.world.now - at
            if late > LATE_S * SECOND + SLACK_NS:
                raise Broken(PAGE, f"`{event.action.word}` is done {late / SECOND:.1f} s after it was asked for")
            return
        raise Broken(PAGE, f"nobody has asked for {event}")

    def warned(self, line: str) -> None:
        """A warning is printed."""
        if "it came too late" in line and self._asked:
            self._asked.popleft()

    # -- at rest ----------------------------------------------------------------------------------------------

    def settled(self) -> None:
        """Nothing has happened for long: whoever looks sees what is."""
        end, life = self.world.page_end, self.world.life
        if end.served is None or life is None or not life.ready:
            return
        if self._asked:
            want, at = self._asked[0]
            if self.world.now - at > SHOWS_NS:
                raise Broken(6, f"what the page asked for was dropped: {want}")
        process = end.process
        if process is None or not process.here:
            raise Broken(9, "the page is gone, and is not begun again")
        for client in process.audience.clients:
            if len(client.waiting) > BOARDS_MAX + 2:
                raise Broken(8, f"{len(client.waiting)} boards wait for one client")
        if self.world.clock.world - self._changed_at < SHOWS_NS:
            return
        state, plan = life.daemon.night.state, life.daemon.night.plan
        stop = plan.stops[state.place.stop]
        should = (plan.song_name(state.place.stop), stop.section, state.desk_here, bool(state.track))
        for person in process.people:
            if not person.reads or self.world.clock.world - person.since < SHOWS_NS:
                continue
            board, songs = person.board("stage"), person.board("map")
            if board is None or songs is None:
                raise Broken(PAGE, f"somebody has the page open, and is shown no {'map' if board else 'board'}")
            place = board["place"]
            shows = (place["song"], place["at"], board["desk"], bool(board["clock"]["track"]))
            if shows != should:
                raise Broken(PAGE, f"the page shows {shows}, and it is {should}")
