"""Playing a night again from what came in.

The core does the same to the same events, so this gives the states of that night, and its rows but for those that
nobody's event made (`NOT_OF_THE_CORE`). Where the show's files were changed in between, the night went on by the new
ones as if they had been in force from the beginning, with no desk there until then: each plan is played with all events
up to the next one's turn.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, NamedTuple

from stagectl.core.effects import Effect
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
from stagectl.core.step import step
from stagectl.story.entry import Heard
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
    missing = row.kind == "link" and row.who == "journal" and (row.what or "").startswith("missing ")
    return row.kind not in NOT_OF_THE_CORE and not missing and not (row.kind == "change" and row.what == BY_EDIT)


class Chapter(NamedTuple):
    """A plan, and the number of the line after which it was in force."""

    since: int
    plan: Plan


def translations(chapters: Sequence[Chapter], plan: Plan) -> list[tuple[int, Translation | None]]:
    """How what was heard by each of some plans is said for one plan, with the number of the line after which that
    counts; None where it is the same plan."""
    return [(chapter.since, None if chapter.plan is plan else Translation(chapter.plan, plan)) for chapter in chapters]


class Played:
    """A night that is played again on a plan. `zero`: the time that counts as its beginning, ns; `chapters`: the plans
    that its events were heard by, the earliest first; `deaf`: with no desk."""

    def __init__(self, plan: Plan, chapters: Sequence[Chapter], zero: int = 0, *, deaf: bool = False) -> None:
        self.plan = plan
        self.state: State = begin(plan, zero)
        self.left_out = 0
        """Events for which the plan has no counterpart."""
        self._zero = zero
        self._deaf = deaf
        self._teller = Teller(plan, zero)
        self._translations = translations(chapters, plan)
        self._here: dict[Event, Event] = {}

    def take(self, number: int, kept: Heard) -> list[Row]:
        """Play the event with that number. Returns its rows. Raises ValueError where it is no event."""
        found = event(kept)
        what: Event | None = found
        for since, translation in reversed(self._translations):
            if number > since:
                what = found if translation is None else translation(found)
                if (self._deaf or translation is not None) and isinstance(found, OF_THE_DESK):
                    # What the desk said was said of levels of other files: on these it would be taken for hands.
                    return []
                break
        if what is None:
            self.left_out += 1
            return []
        self._note(what)
        return self._step(what, kept.at)

    def until(self, at: int) -> list[Row]:
        """Let time pass up to `at`, ns since the night began."""
        return self._step(Wake(), at)

    def _step(self, what: Event, at: int) -> list[Row]:
        effects: Sequence[Effect]
        self.state, effects = step(self.plan, self.state, what, self._zero + at)
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
                self._here[DeskCame()] = DeskWent()
            case DeskWent():
                self._here.pop(DeskCame(), None)

    def goes(self) -> list[Event]:
        """What goes with the process that has heard all this, when it ends."""
        return list(self._here.values())
