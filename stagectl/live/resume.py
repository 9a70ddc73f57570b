"""Taking up a night again that was broken off: by a crash, a kill, a power cut.

What came in is in the journal, so the night is played again up to its last line, and then everything that was connected
goes with the process that ended. What comes back comes as it always does: a desk that can be read is read first, and
no level moves because of the restart.
"""

from __future__ import annotations

import sqlite3
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from typing import Final

from msgspec.structs import replace

import stagectl
from stagectl.core.events import Event, PlayerWent
from stagectl.core.plan import Plan
from stagectl.core.state import State
from stagectl.errors import JournalError, StagectlError, first_of
from stagectl.journal.causes import cause
from stagectl.journal.read import events, files_of, open_read, rows, sensibly
from stagectl.journal.record import Recorder, go_on
from stagectl.live.broken_off import BrokenOff
from stagectl.show.clock_values import SECOND_NS, span_text
from stagectl.show.compile import compile_show
from stagectl.show.load import Show, load_kept
from stagectl.story.edits import edited
from stagectl.story.replay import NOT_OF_THE_CORE, Chapter, Desk, Played
from stagectl.story.retold import Found, Retold
from stagectl.story.rows import BY_EDIT, Row, stop_names
from stagectl.story.shown import Shown

UNPLAYABLE: Final = "an event of the journal cannot be played again"

AGREE_NS: Final = 2_000_000_000
"""How far two clocks may differ over the time between, ns, and still have gone on together."""

PLAYS_ON_NS: Final = 10 * SECOND_NS
"""A player at the end of a wire is taken to play on for so long while the program is away, ns: with a machine that was
started anew, or after more than that, nobody knows."""


@dataclass(frozen=True, kw_only=True)
class TakenUp:
    """A night that goes on. `zero`: the monotonic time that counts as its beginning, ns; `at`: its last line, ns since
    then; `wall_us`: when it was broken off, by the clock on the wall, µs since 1970; `away`: how long ago that was, ns;
    `goes`: what has gone since; `edits`: levels that the show's files, which have `changed`, say otherwise; `left_out`:
    events that the changed show has no place for; `hands_left_out`: levels that hands at the desk had moved, and the
    changed show does not have; `unlike`: levels that another version of the program left otherwise than this one;
    `missing`: rows that the journal says it lacks."""

    recorder: Recorder
    plan: Plan
    state: State
    zero: int
    at: int
    wall_us: int
    away: int
    goes: tuple[Event, ...]
    edits: tuple[Row, ...]
    changed: bool
    left_out: int
    hands_left_out: tuple[str, ...]
    unlike: tuple[str, ...]
    missing: int

    def row(self, now: int) -> Row:
        """What is told of it. `now`: the monotonic time, ns."""
        song, section = stop_names(self.plan, self.state.place.stop)
        after = span_text(self.away // SECOND_NS * SECOND_NS)
        return Row(now - self.zero, "resumed", song=song, section=section, number=self.zero, detail=after)

    def rows(self, now: int) -> list[Row]:
        """That, and what edited files have moved: it counts from now on."""
        row = self.row(now)
        return [row, *(edit._replace(at=row.at) for edit in self.edits)]

    def warnings(self) -> list[str]:
        """What people should know of it."""
        out = []
        if self.changed:
            out.append("the show's files have changed since the night was broken off: it goes on by the new ones")
        if self.left_out:
            out.append(f"{self.left_out} of the night's events have nothing in the new files that they were about")
        if self.hands_left_out:
            which = first_of(self.hands_left_out)
            out.append(f"hands at the desk had moved what is not in the new files any more: {which}")
        if self.unlike:
            which = first_of(self.unlike)
            out.append(f"another version of the program played this night, and left other levels: {which}")
        if self.state.hushed:
            names = ", ".join(self.plan.listeners[at] for at in sorted(self.state.hushed))
            out.append(f"still hushed: {names}")
        if self.missing:
            out.append(f"the journal lacks {self.missing} lines: the night may go on a little off from where it was")
        return out


def zero_again(night: BrokenOff, now: int, wall_us: int) -> int:
    """What counts as the night's beginning from now on, by the monotonic clock, ns. It is the same as before where that
    clock has gone on; where the computer was started anew, the clock on the wall says how long that took. Where that
    was set back, nothing that came in counts as yet to come, or the night would stand still until then."""
    by_wall = max(night.heard_at - night.at, (wall_us - night.wall_us) * 1_000)
    by_clock = now - night.zero - night.at
    if by_clock >= 0 and abs(by_clock - by_wall) <= AGREE_NS:
        return night.zero
    return now - night.at - by_wall


def take_up(
    night: BrokenOff, show: Show, plan: Plan, now: int, wall_us: int, tell: Callable[[str | None], None]
) -> TakenUp:
    """Take up a night where it was broken off, on the plan of the show as it is now. Raises JournalError where that
    cannot be; then the journal is as it was."""
    zero = zero_again(night, now, wall_us)
    with closing(open_read(night.path)) as connection:
        kept = files_of(connection, night.path)
        changed = not is_as_kept(show, kept)
        plans = chapters(kept, night.head.venue, None if changed else plan, desk_of(show))
        before = Retold(plans, turns(connection, plans), zero, watched=changed)
        played = Played(plan, plans, zero) if changed else before.last
        last, missing = last_made(connection), _missing(connection)
        play(connection, before, played)
        learn(played, before.until(last))
        played.until(last)
        unlike = () if night.head.program == stagectl.__version__ else _unlike(connection, before.last)
        edits: tuple[Row, ...] = ()
        if changed:
            played.goes_on_from(before.last, desk_of(show), plans[-1].desk)
            edits = tuple(edited(before.last.plan, before.last.state.wanted, plan, played.state.wanted, now - zero))
    recorder = go_on(night.path, dict(show.files) if changed else None, tell)
    away = max(0, now - zero - night.heard_at)
    return TakenUp(
        recorder=recorder,
        plan=plan,
        state=played.state,
        zero=zero,
        at=last,
        wall_us=night.wall_us + (played.state.now - zero - night.at) // 1_000,
        away=away,
        goes=tuple(_gone(event, zero != night.zero or away > PLAYS_ON_NS) for event in played.goes()),
        edits=edits,
        changed=changed,
        left_out=played.left_out,
        hands_left_out=tuple(played.hands_left_out),
        unlike=unlike,
        missing=missing,
    )


def _unlike(connection: sqlite3.Connection, played: Played) -> tuple[str, ...]:
    """The sends that have other levels, played again, than the night's rows show."""
    shown = Shown(row for _, _, row in rows(connection))
    shown.comes_to_its_end()
    return tuple(map(played.plan.send_name, sorted(shown.unlike(played.plan, played.state))))


def _gone(event: Event, long: bool) -> Event:
    """What goes with the program. `long`: so long ago that nobody knows what players do by now."""
    return replace(event, broken_off=True) if long and isinstance(event, PlayerWent) else event


def is_as_kept(show: Show, kept: dict[int, dict[str, bytes]]) -> bool:
    """Whether the files of a show are those that a night was played by last, as `files` gives them. The same files may
    be named from another folder, and may have been read in another order."""
    return _by_names(kept[max(kept)]) == _by_names(show.files)


def _by_names(files: Mapping[str, bytes]) -> list[bytes]:
    """What files hold: the setlist, then the others by their names, and then by the folders that these are in."""
    paths = sorted([*files][1:], key=lambda path: path.replace("\\", "/").split("/")[::-1])
    return [files[path] for path in [*files][:1] + paths]


def play(connection: sqlite3.Connection, before: Retold, played: Played) -> None:
    """Play every event of a journal on its own plans, and on another one where `played` is none of them. Raises
    JournalError."""
    with sensibly(UNPLAYABLE):
        for number, kept in events(connection):
            found = before.take(number, kept)
            if played is not before.last:
                learn(played, found)
                played.take(number, kept)


def learn(played: Played, found: Iterable[Found]) -> list[Row]:
    """A plan learns of hands that have come to rest. Returns the rows."""
    return [row for chapter, hands in found for row in played.learn(chapter, hands)]


def chapters(
    kept: dict[int, dict[str, bytes]], venue: str | None, last: Plan | None, desk: Desk | None = None
) -> list[Chapter]:
    """The plans of a night, from the show's files as the journal keeps them. `last`: the last of them, where it is
    known, and its `desk`. Raises JournalError where this version of the program does not take them."""
    found = []
    for since, held in kept.items():
        if last is not None and since == max(kept):
            found.append(Chapter(since, last, desk))
            continue
        try:
            show = load_kept(held)
            found.append(Chapter(since, compile_show(show, venue).plan, desk_of(show)))
        except (StagectlError, ValueError) as error:
            raise JournalError(f"the show that the journal keeps cannot be played any more: {error}") from error
    return found


def desk_of(show: Show) -> Desk:
    """The desk of a show, and where on it each send of its plan is: the same where no byte would be another."""
    rig = show.rig
    sockets = [*(one.socket for one in rig.inputs), None]
    places = tuple((listener.mix, socket) for listener in rig.listeners for socket in sockets)
    return Desk((show.profile, rig.desk.port, rig.desk.host), places)


OTHERS: Final = ", ".join(f"'{kind}'" for kind in sorted(NOT_OF_THE_CORE))

LAST_MADE: Final = f"""SELECT max(at) FROM story WHERE id <= ? AND kind NOT IN ({OTHERS})
    AND NOT (kind = 'change' AND what = '{BY_EDIT}')
    AND NOT (kind = 'link' AND who = 'journal' AND what LIKE 'missing %')"""


def last_made(connection: sqlite3.Connection, until: int = sys.maxsize) -> int:
    """The time of the last row that the core has made, up to the line of that number, ns since the night began. Raises
    JournalError."""
    try:
        (last,) = connection.execute(LAST_MADE, (until,)).fetchone()
    except sqlite3.Error as error:
        raise JournalError(f"the journal cannot be read: {cause(error)}") from error
    with sensibly("the journal's times are no numbers"):
        return int(last or 0)


def turns(connection: sqlite3.Connection, chapters: Sequence[Chapter]) -> list[int]:
    """When each plan of a night came into force: the time of the last row before. Raises JournalError."""
    return [last_made(connection, chapter.since) for chapter in chapters]


def _missing(connection: sqlite3.Connection) -> int:
    """How many rows are missing."""
    try:
        lost = connection.execute(
            "SELECT what FROM story WHERE kind = 'link' AND who = 'journal' AND what LIKE 'missing %'"
        ).fetchall()
    except sqlite3.Error as error:
        raise JournalError(f"the journal cannot be read: {cause(error)}") from error
    with sensibly("the journal does not say how many lines it lacks"):
        return sum(int(what.split()[1]) for (what,) in lost)
