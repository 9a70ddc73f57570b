"""A rehearsal as time passes: the room, its pace, the feet on the page, and what presses by itself (a script, or the
last night).

Time is an argument: the monotonic time in ns, at which somebody asks. Whoever drives it calls `go_on` when it is `due`,
and before everything else that happens.

A fade of many levels may take longer to work out than it lasts. Where a `clock` is given, it is worked out in pieces,
and the rehearsal's time falls behind meanwhile, so that whoever drives it gets to all else between them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from itertools import chain
from typing import Final

from stagectl.core.events import Event, Moved, PedalCame, PedalWent, Wanted
from stagectl.core.feet import Control
from stagectl.core.state import Key
from stagectl.rehearse.pace import Pace
from stagectl.rehearse.room import Moment, Room, Timed
from stagectl.rehearse.script import Feet
from stagectl.story.translate import Translation

PIECE_NS: Final = 20_000_000
"""How long is worked at what has come due until the rest is left for the next time."""

TURN_MAX: Final = 127
"""The top of a treadle as the page turns it."""


class Drive:
    """Drives a room. `told` gets everything that happens in it. `clock`: the monotonic clock, ns, for how long the work
    itself takes; without one, that counts as no time."""

    def __init__(
        self, room: Room, real: int, told: Callable[[list[Moment]], None], clock: Callable[[], int] | None = None
    ) -> None:
        self.pace = Pace(real)
        self.told = told
        self._clock = clock
        self.down: frozenset[Key] = frozenset()
        """Controls with a foot of the page on them."""
        self.turned: dict[Key, int] = {}
        """Where the page has turned treadles to, 0 to 127."""
        self.plays: str | None = None
        self.done = 0
        """How many things have been done by what plays."""
        self._presses: Iterator[Timed] = iter(())
        self._next: Timed | None = None
        self._begins = 0
        self._feet = Feet()
        self._felt: set[Key] = set()
        """Controls that the page has moved, as long as their gestures are not over."""
        self.room = room
        told(room.open())

    # -- time ---------------------------------------------------------------------------------------------------

    def due(self) -> int | None:
        """When there is something to do next, by the monotonic clock, ns."""
        due = self._due
        return None if due is None else self.pace.when(due)

    @property
    def _due(self) -> int | None:
        return min((due for due in (self.room.due, self.next_at) if due is not None), default=None)

    @property
    def next_at(self) -> int | None:
        """When what plays does something next, by the rehearsal's time, ns."""
        return None if self._next is None else self._begins + self._next.at

    def now(self, real: int) -> int:
        """The rehearsal's time, ns."""
        return max(self.pace.at(real), self.room.state.now)

    def go_on(self, real: int, *, whole: bool = False) -> None:
        """Everything that has come due by a time. What that leaves for later is due at once; with `whole`, nothing."""
        night, enough = self.pace.at(real), self._piece(whole=whole)
        while (due := self._due) is not None and due <= night:
            if due == self.next_at and due != self.room.due:
                assert self._next is not None
                event = self._next.event
                self._next = next(self._presses, None)
                self.done += 1
                self.told(self.room.do(event, due))
            else:
                self.told(self.room.wait(night if self.next_at is None else min(night, self.next_at), enough))
            if enough():
                break
        if self._clock is not None and (due := self._due) is not None and due <= night:
            # It is as late as has been worked out, and the work has taken no time.
            self.pace.jump(self._clock(), due)
        self._end_gestures(real)
        if self.plays is not None and self._next is None:
            self.plays = None

    def _piece(self, *, whole: bool) -> Callable[[], bool]:
        """Says whether a piece of work that begins now has taken long enough."""
        clock = self._clock
        if clock is None or whole:
            return lambda: False
        until = clock() + PIECE_NS
        return lambda: clock() >= until

    def _end_gestures(self, real: int) -> None:
        """Once no gesture of the page's feet is under way, time passes as it was set to."""
        self._felt &= self.down | self.room.state.hands.keys()
        if bool(self._felt) is not self.pace.by_foot:
            self.pace.change(real, by_foot=bool(self._felt))

    def skip(self, real: int) -> None:
        """On to where something happens next: of what plays, or of the track. Raises ValueError where nothing will."""
        self.go_on(real, whole=True)
        ahead = [at for at in (self.next_at, self.room.track_due) if at is not None]
        if not ahead:
            raise ValueError("nothing plays that would do anything by itself")
        self.pace.jump(real, max(min(ahead), self.pace.at(real)))
        self.go_on(real, whole=True)

    # -- what plays ---------------------------------------------------------------------------------------------

    def play(self, real: int, name: str, presses: Iterable[Timed], *, anew: Room | None = None) -> None:
        """Let something press by itself from now on. `anew`: in another room, in which the night begins now."""
        self.go_on(real)
        self.stop_playing()
        if anew is not None:
            self._enter(anew)
            self.pace.jump(real, 0)
            self.told(anew.open())
        self._presses, self._begins = iter(presses), 0 if anew is not None else self.now(real)
        self.plays, self.done, self._next = name, 0, next(self._presses, None)
        self.go_on(real)

    def stop_playing(self) -> None:
        """What plays does nothing more; the night is where it is."""
        self._presses, self._next, self.plays = iter(()), None, None

    def take(self, real: int, room: Room) -> None:
        """Go on in a room into which the night was carried (`carry.py`). What plays presses on, by name."""
        translation = Translation(self.room.plan, room.plan)
        rest = self._presses if self._next is None else chain((self._next,), self._presses)
        self._presses = (timed._replace(event=event) for timed in rest for event in translation.all_of(timed.event))
        self._next = next(self._presses, None)
        moved = (
            (translation(Moved(pedal=key[0], control=key[1], value=0)), value) for key, value in self.turned.items()
        )
        turned = {(to.pedal, to.control): value for to, value in moved if isinstance(to, Moved)}
        self._enter(room)
        self.turned = {key: value for key, value in turned.items() if self.control(key).turns}
        self._end_gestures(real)

    def _enter(self, room: Room) -> None:
        self.room = room
        self.down, self.turned, self._felt, self._feet = frozenset(), {}, set(), Feet()

    # -- the page's feet ----------------------------------------------------------------------------------------

    def control(self, key: Key) -> Control:
        """A control of the plan."""
        return self.room.plan.pedals[key[0]].controls[key[1]]

    def move(self, real: int, key: Key, *, down: bool) -> None:
        """A foot comes down on a switch, or leaves it."""
        if down is (key in self.down):
            return
        self.go_on(real)
        self.down = self.down | {key} if down else self.down - {key}
        self._felt.add(key)
        control = self.control(key)
        if down or control.gives_release:
            for _, value in self._feet.moves(key, "down" if down else "up", control):
                self._do(real, Moved(pedal=key[0], control=key[1], value=value))
        self._end_gestures(real)

    def turn(self, real: int, key: Key, value: int) -> None:
        """A treadle is turned to a value, 0 to 127."""
        self.go_on(real)
        self.turned[key] = value
        top = self.control(key).top
        self._do(real, Moved(pedal=key[0], control=key[1], value=value * top // TURN_MAX))

    def let_go(self, real: int) -> None:
        """Nobody looks at the page any more: a pedal with a foot on it counts as unplugged, so that nothing fires."""
        self.go_on(real)
        for pedal in sorted({key[0] for key in self.down}):
            self._do(real, PedalWent(pedal=pedal))
            self._do(real, PedalCame(pedal=pedal))
        self.down, self._felt = frozenset(), set()
        self._end_gestures(real)

    def want(self, real: int, wanted: Wanted) -> None:
        """Somebody asks for an action on the page."""
        self.go_on(real)
        self._do(real, wanted)

    def _do(self, real: int, event: Event) -> None:
        self.told(self.room.do(event, self.now(real)))
