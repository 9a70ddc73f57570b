"""The last night of a setlist, to be played in a rehearsal: what came in then, for the show as it is now.

Events name things by index, so they are translated by name where the show's files were others that night. What the desk
said then, it said of that night's levels, so it is left out, and hands on it too, which is told; the rehearsal's own
desk speaks for itself.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import datetime
from pathlib import Path
from typing import Final, NamedTuple

from stagectl.core.events import (
    Event,
    LampsCame,
    LampsWent,
    PedalCame,
    PedalWent,
    PlayerCame,
    PlayerWent,
)
from stagectl.core.plan import Plan
from stagectl.errors import JournalError
from stagectl.journal.paths import folders, when
from stagectl.journal.read import events, files_of, hands, night, open_read
from stagectl.live.broken_off import last_night
from stagectl.live.resume import chapters, is_as_kept
from stagectl.rehearse.room import Timed
from stagectl.rehearse.tell import counted
from stagectl.show.load import Show
from stagectl.story.heard import event
from stagectl.story.replay import OF_THE_DESK, translations

EVENTS_MAX: Final = 1_000_000
"""Events of a night that are played; the rest of a longer one is left out."""


class Night(NamedTuple):
    """A night to play. `name`: when it was; `left_out`: events that the show as it is has nothing for; `hands`: how
    often hands at that night's desk moved something."""

    name: str
    presses: list[Timed]
    left_out: int
    hands: int = 0

    @property
    def said(self) -> str:
        """What is told of it before it is played."""
        out = f"{self.name}: {counted(len(self.presses), 'event')}"
        if self.left_out:
            out += f"; {counted(self.left_out, 'event')} left out, which this show has nothing for"
        return out + (f"; {counted(self.hands, 'hand')} at the desk left out" if self.hands else "")


def find(show: Show, plan: Plan, warn: Callable[[str], None]) -> Night:
    """The last night of a show's setlist. Raises JournalError where there is none, or it cannot be played."""
    setlist = str(show.sources["setlist"].path.resolve())
    path = last_night(folders(), setlist, warn)
    if path is None:
        raise JournalError("there is no night of this setlist yet: `stagectl run` keeps them")
    return read(path, show, plan)


def read(path: Path, show: Show, plan: Plan) -> Night:
    """The night of a journal, for a plan of the show. Raises JournalError."""
    with closing(open_read(path)) as connection:
        head = night(connection)
        kept = files_of(connection, path)
        last = plan if is_as_kept(show, kept) else None
        ways = translations(chapters(kept, head.venue, last), plan)
        found: list[Timed] = []
        left_out, moved = 0, hands(connection)
        try:
            for number, heard in events(connection):
                way = [translation for since, translation in ways if number > since][-1]
                one = event(heard)
                there: tuple[Event, ...] = (one,) if way is None else way.all_of(one)
                if not there or len(found) >= EVENTS_MAX:
                    left_out += 1
                elif not isinstance(one, OF_THE_DESK):
                    found += [Timed(heard.at, what) for what in there]
        except (ValueError, TypeError, LookupError) as error:
            raise JournalError(f"an event of {path} cannot be played again: {error}") from error
    return Night(_named(when(head.begun_us)), [*_news(found, plan)], left_out, moved)


def _named(begun: datetime) -> str:
    return f"the night of {begun.astimezone():%Y-%m-%d %H:%M}"


def _news(presses: list[Timed], plan: Plan) -> Iterator[Timed]:
    """The events without those that say what the room has seen to already: in it everything is here from the
    beginning."""
    here: set[Event] = {PedalCame(pedal=at) for at in range(len(plan.pedals))}
    here |= {LampsCame(pedal=at) for at, pedal in enumerate(plan.pedals) if pedal.lamps}
    here |= {PlayerCame(player=at) for at in range(len(plan.players))}
    for timed in presses:
        match timed.event:
            case PedalCame() | LampsCame() | PlayerCame():
                if timed.event in here:
                    continue
                here.add(timed.event)
            case PedalWent(pedal=pedal):
                here.discard(PedalCame(pedal=pedal))
            case LampsWent(pedal=pedal):
                here.discard(LampsCame(pedal=pedal))
            case PlayerWent(player=player):
                here.discard(PlayerCame(player=player))
        yield timed
