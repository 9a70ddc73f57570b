"""Playing a night again from what came in.

The core does the same to the same events, so this gives the states of that night, and its rows but for those that
nobody's event made (`NOT_OF_THE_CORE`). Where the show's files were changed in between, the night went on by the new
ones as if they had been in force from the beginning, with no desk there until then: each plan is played with all events
up to the next one's turn.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from types import MappingProxyType
from typing import Final, NamedTuple, TypeAlias

from msgspec.structs import replace

from stagectl.core.doubt import NOTHING_KNOWN
from stagectl.core.effects import Arrived, Changed, Effect, Pressed
from stagectl.core.events import (
    DeskCame,
    DeskSaid,
    DeskWent,
    Event,
    LampsCame,
    LampsWent,
    PedalCame,
    PedalWent,
    PlayerCame,
    PlayerWent,
    Wake,
)
from stagectl.core.plan import Plan
from stagectl.core.state import State, begin
from stagectl.core.step import Stepped, step
from stagectl.core.whole_mixes import is_left_alone
from stagectl.story.entry import Heard
from stagectl.story.hands import Hand, above_as, by_hand, hands_of, laid_down
from stagectl.story.heard import event
from stagectl.story.rows import BY_EDIT, Row, Teller
from stagectl.story.translate import Translation

NOT_OF_THE_CORE: Final = frozenset(("reminder", "trouble", "count", "end", "resumed"))
"""Kinds of rows that no event makes."""


OF_THE_DESK: Final = (DeskCame, DeskWent, DeskSaid)
"""Events that say what the desk of that night had: on another one, or on other files, they say nothing."""


def is_of_the_core(row: Row) -> bool:
    """Whether a row is one that the core has made of events: no other kind, none that stands for rows that are missing,
    and no level that an edited file has moved."""
    is_of_another = row.kind in NOT_OF_THE_CORE or (row.kind == "change" and row.what == BY_EDIT)
    return not is_of_another and not says_what_is_missing(row)


def says_what_is_missing(row: Row) -> bool:
    """Whether a row stands for lines that the journal lacks."""
    return row.kind == "link" and row.who == "journal" and (row.what or "").startswith("missing ")


class Desk(NamedTuple):
    """Which desk it is, by whatever tells it from others, and where on it each send is."""

    which: object
    places: tuple[object, ...]


class Chapter(NamedTuple):
    """A plan, and the number of the line after which it was in force. `desk`: the desk that it was played on; None
    where that is not known."""

    since: int
    plan: Plan
    desk: Desk | None = None


class Moment(NamedTuple):
    """An instant of a night in which something was done, as `step` counts time: the states before and after it, and its
    effects."""

    at: int
    before: State
    effects: Sequence[Effect]
    after: State


See: TypeAlias = Callable[[Moment], None]


def moments(plan: Plan, before: State, what: Event, now: int, stepped: Stepped) -> Iterator[Moment]:
    """A step instant by instant: what is due before an event has its own time, and a state of its own. `stepped`: what
    the whole of it has given."""
    times = sorted({one.at for one in stepped.effects if isinstance(one, (Pressed, Arrived, Changed))})
    for at in times[:-1]:
        stepped_to = step(plan, before, Wake(), at)
        yield Moment(at, before, stepped_to.effects, stepped_to.state)
        before = stepped_to.state
    if len(times) > 1:
        stepped = step(plan, before, what, now)
    if times:
        yield Moment(times[-1], before, stepped.effects, stepped.state)


def translations(chapters: Sequence[Chapter], plan: Plan) -> list[tuple[int, Translation | None]]:
    """How what was heard by each of some plans is said for one plan, with the number of the line after which that
    counts; None where it is the same plan."""
    return [(chapter.since, None if chapter.plan is plan else Translation(chapter.plan, plan)) for chapter in chapters]


class Played:
    """A night that is played again on a plan. `zero`: the time that counts as its beginning, ns; `chapters`: the plans
    that its events were heard by, the earliest first; `deaf`: with no desk; `watched`: for hands at the desk; `see` is
    called with each moment in which somebody or something has pressed, arrived or changed."""

    def __init__(
        self,
        plan: Plan,
        chapters: Sequence[Chapter],
        zero: int = 0,
        *,
        deaf: bool = False,
        watched: bool = False,
        see: See | None = None,
    ) -> None:
        self.plan = plan
        self.state: State = begin(plan, zero)
        self.left_out = 0
        """Events for which the plan has no counterpart."""
        self.hands_left_out: dict[str, None] = {}
        """What hands have moved that the plan does not have."""
        self.hands: list[Hand] = []
        """Those that the last event has found at rest, with times of the night; nothing where they are not watched."""
        self._zero = zero
        self._deaf = deaf
        self._watched = watched
        self._see = see
        self._teller = Teller(plan, zero)
        ways = zip(chapters, translations(chapters, plan), strict=True)
        self._ways = [(chapter, way) for chapter, (_, way) in ways][::-1]
        self._here: dict[Event, Event] = {}

    def take(self, number: int, kept: Heard) -> list[Row]:
        """Play the event with that number. Returns its rows. Raises ValueError where it is no event."""
        found = event(kept)
        some: tuple[Event, ...] = (found,)
        self.hands = []
        translation = next((way for chapter, way in self._ways if number > chapter.since), None)
        if self._deaf or translation is not None:
            if isinstance(found, OF_THE_DESK):
                # What the desk said was said of levels of other files: on these it would be taken for hands. What is
                # due by then comes with it all the same, as it did that night.
                return self.until(kept.at)
            some = (found,) if translation is None else translation.all_of(found)
        self.left_out += not some
        rows: list[Row] = []
        for what in some:
            self._note(what)
            rows += self._step(what, kept.at)
        return rows

    def learn(self, chapter: Chapter, hands: Iterable[Hand]) -> list[Row]:
        """Hands have come to rest on the plan of a chapter. A plan that has no desk, or is another one, learns of them
        by this alone, before the event that they were found with. Returns the rows."""
        translation = next(way for one, way in self._ways if one is chapter)
        rows: list[Row] = []
        for hand in hands if self._deaf or translation is not None else ():
            send = hand.send if translation is None else translation.send(hand.send)
            if send is None:
                self.hands_left_out[chapter.plan.send_name(hand.send)] = None
                continue
            # What was due before the hand has happened; what is due at its own time comes after it.
            rows += self.until(hand.at - 1)
            moved = hand._replace(send=send, at=self._zero + hand.at)
            self.state, effects = laid_down(self.plan, self.state, moved)
            rows += self._teller.rows(effects)
        return rows

    def goes_on_from(self, other: Played, here: Desk | None, there: Desk | None) -> None:
        """From now on this plan is in force instead of another one: what the desk had then, it still has. `here`,
        `there`: the desks of this plan and of the other one. A hand that has not come to rest yet is found when the
        desk is read."""
        same: dict[int, int] = {}
        if here is not None and there is not None and here.which == there.which:
            translation = Translation(other.plan, self.plan)
            ways = ((send, translation.send(send)) for send in range(len(there.places)))
            same = {send: to for send, to in ways if to is not None and here.places[to] == there.places[send]}
        stood, _ = step(other.plan, other.state, DeskWent(), other.state.now)
        had = {send: level for send, level in stood.known.before.items() if send not in other.state.touches}
        had |= {send: touch.before for send, touch in other.state.touches.items() if touch.before is not None}
        before = {to: had[send] for send, to in same.items() if send in had and self.plan.grid_of(to) is not None}
        left = self.state.left.intersection(same.values()) if self.plan.answers.reads else frozenset()
        known = replace(NOTHING_KNOWN, before=MappingProxyType(before if self.plan.answers.reads else {}))
        # Presses go on being counted from where the night was, so that none has the number of another.
        presses = max(self.state.presses, other.state.presses)
        above = {
            self.plan.listener_of(to): by
            for send, to in same.items()
            if is_left_alone(other.plan, send) and is_left_alone(self.plan, to)
            if (by := other.state.above.get(other.plan.listener_of(send), 0))
        }
        # A plan that had no desk owes it every scene; this desk was told all but what it was away for.
        owed = None if same and other.state.scene_owed is None else self.state.scene_owed
        state = replace(self.state, known=known, left=left, presses=presses, scene_owed=owed)
        self.state = above_as(self.plan, state, above)

    def until(self, at: int) -> list[Row]:
        """Let time pass up to `at`, ns since the night began. Returns the rows."""
        self.hands = []
        return self._step(Wake(), at)

    def _step(self, what: Event, at: int) -> list[Row]:
        before, now = self.state, self._zero + at
        stepped = step(self.plan, before, what, now)
        effects: Sequence[Effect]
        self.state, effects = stepped
        if self._watched and by_hand(effects):
            self.hands += [one._replace(at=one.at - self._zero) for one in hands_of(self.plan, before, what, now)]
        if self._see is not None:
            for moment in moments(self.plan, before, what, now, stepped):
                self._see(moment)
        return self._teller.rows(effects) if effects else []

    def _note(self, what: Event) -> None:
        match what:
            case PedalCame(pedal=pedal):
                self._here[PedalCame(pedal=pedal)] = PedalWent(pedal=pedal)
            case PedalWent(pedal=pedal):
                self._here.pop(PedalCame(pedal=pedal), None)
            case LampsCame(pedal=pedal):
                self._here[LampsCame(pedal=pedal)] = LampsWent(pedal=pedal)
            case LampsWent(pedal=pedal):
                self._here.pop(LampsCame(pedal=pedal), None)
            case PlayerCame(player=player):
                self._here[PlayerCame(player=player)] = PlayerWent(player=player)
            case PlayerWent(player=player):
                self._here.pop(PlayerCame(player=player), None)
            case DeskCame() | DeskSaid():
                self._here[DeskCame()] = DeskWent(broken_off=True)
            case DeskWent():
                self._here.pop(DeskCame(), None)

    def goes(self) -> list[Event]:
        """What goes with the process that has heard all this, when it ends."""
        return list(self._here.values())
