"""A whole report from a journal and, where there is one, the show that was played."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from stagectl.ears.report import figures
from stagectl.errors import JournalError
from stagectl.journal.of_setlist import of_another
from stagectl.journal.read import night
from stagectl.journal.schema import Night
from stagectl.journal.zone import zone_of
from stagectl.report.figures import Exposure, Report, Song, Times
from stagectl.report.gather import Story
from stagectl.report.hearing import Hearing
from stagectl.report.levels import Levels
from stagectl.report.planned import NO_SHOW, Planned, planned
from stagectl.report.visits import is_played, stayed_of
from stagectl.report.wall import Wall

if TYPE_CHECKING:
    from stagectl.show.compile import Compiled
    from stagectl.show.ears import Setting
    from stagectl.show.load import Show

SONGS_MAX: Final = 60
"""Songs that are drawn; the rest are counted."""

HELD_MAX: Final = 20
LINKS_MAX: Final = 16


def build(
    connection: sqlite3.Connection,
    show: Show | None = None,
    compiled: Compiled | None = None,
    notes: Sequence[str] = (),
    passed: Callable[[int], None] | None = None,
) -> tuple[Report, Wall]:
    """The figures of the journal, and its clock on the wall. `compiled`: the show with no venue. `notes`: what else
    people should know of it. `passed` is called with how many more changes were read.

    Raises JournalError where the night was that of another setlist, or the journal cannot be read at all.
    """
    head = night(connection)
    if show is not None and (says := of_another(head, show.sources["setlist"].path, show.setlist.title)) is not None:
        raise JournalError(says)
    story = Story(head.begun_us)
    story.read(connection)
    spans = stayed_of(story.visits, story.end)
    songs = [song for song, some in spans if song and is_played(some)] or [song for song, _ in spans if song]
    drawn = songs[:SONGS_MAX]
    levels = Levels(story.visits, [0, *drawn])
    setting = hearing = None
    if show is not None and compiled is not None:
        from stagectl.show.ears import setting_of

        setting = setting_of(show, compiled)
        hearing = Hearing(compiled.plan, setting.base)
    levels.read(connection, hearing, story.events, passed)
    end = max(story.end, levels.end)
    # The end of the last song is only known now.
    spans = stayed_of(story.visits, end)
    wall = Wall(story.begun_us, zone_of(head), end, story.steps)
    plan_ = NO_SHOW
    if show is not None and compiled is not None:
        plan_ = planned(show, compiled.plan, head.venue, wall.at(0))
        if plan_.zone is not None:
            wall = Wall(story.begun_us, plan_.zone, end, story.steps)
    before = bool(levels.ends_of.get(0)) or not drawn
    mixes, more_listeners = levels.mixes(
        [0, *drawn] if before else drawn, story.held_where, plan_.tops, plan_.listeners
    )
    held, left = story.held.most(HELD_MAX), levels.left.most(HELD_MAX)
    # What was lost comes first, and is not among those that are only counted.
    links = sorted(story.links(end), key=lambda link: not link.lost)
    report = Report(
        setlist=head.setlist,
        venue=head.venue,
        program=head.program,
        times=_times(story, end, spans, plan_),
        songs=[_song(story, song, dict(spans)[song], plan_) for song in ([0, *drawn] if before else drawn)],
        more_songs=len(songs) - len(drawn),
        before=before,
        passed=[story.visits.names[song] for song, _ in spans if song and song not in set(songs)],
        mixes=mixes,
        more_listeners=more_listeners,
        held=held,
        more_held=story.held.total - sum(one.times for one in held),
        left=left,
        more_left=levels.left.total - sum(one.times for one in left),
        refusals=story.refused(),
        delay=story.delay(),
        links=links[:LINKS_MAX],
        more_links=len(links[LINKS_MAX:]) + story.more_links,
        lost=sum(link.lost for link in links),
        said=story.said,
        more_said=story.more_said,
        counts={**story.counts, "change": levels.count},
        presses=story.presses,
        read=levels.only_read,
        notes=[*_notes(head, story, levels, plan_), *notes],
    )
    if setting is not None and hearing is not None:
        report = replace(report, exposure=_exposure(setting, hearing, end, story.ends))
    return report, wall


def _exposure(setting: Setting, hearing: Hearing, end: int, ends: bool) -> Exposure:
    found = figures(setting.criterion, setting.listeners, hearing.end(end))
    return Exposure(criterion=setting.criterion, figures=found, notes=hearing.notes(ends), at=end)


def _song(story: Story, song: int, spans: list[tuple[int, int]], plan_: Planned) -> Song:
    name = story.visits.names[song]
    return Song(
        name=name,
        began=spans[0][0],
        stayed=sum(ended - begun for begun, ended in spans),
        visits=len(spans),
        spans=tuple(spans),
        planned=plan_.songs.get(name) if song else None,
    )


def _times(story: Story, end: int, spans: list[tuple[int, list[tuple[int, int]]]], plan_: Planned) -> Times:
    firsts = [some[0][0] for song, some in spans if song]
    return Times(
        end=end,
        first=min(firsts, default=None),
        last=story.last,
        ends=story.ends,
        steps=tuple(story.steps),
        marks=tuple(plan_.marks),
    )


def _notes(head: Night, story: Story, levels: Levels, plan_: Planned) -> list[str]:
    """What people should know of how this was made up."""
    out = []
    if not story.ends:
        out.append("the journal has no end, so this goes up to its last line")
    damage = story.damage or levels.damage
    if damage is not None:
        out.append(f"the journal cannot be read to its end ({damage}): what comes after that is not in here")
    if story.missing:
        out.append(f"{story.missing:,} lines of the night could not be kept and are missing")
    if not story.counts["arrival"]:
        out.append("the night came to no song")
    if levels.only_read:
        out.append(
            f"{levels.only_read:,} levels were read from the desk; nobody moved them, and they count as no change"
        )
    if levels.more_sends:
        out.append(f"{levels.more_sends:,} changes of further sends are not followed")
    if plan_.unsaid:
        out.append(f"songs whose length nobody said ({plan_.unsaid}) count as 4 min in what was planned")
    if abs(head.zone_offset) >= 24 * 3600:
        out.append(f"the journal's zone is {head.zone_offset} s from UTC, which no zone is: times are UTC")
    return out
