"""`stagectl replay`: a past night's presses once more."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from stagectl.cli.common import count, journal_at, venue_option
from stagectl.cli.complete import journals, offer

if TYPE_CHECKING:
    import sqlite3

    from stagectl.core.plan import Plan
    from stagectl.story.compare import Pair
    from stagectl.story.replay import Chapter
    from stagectl.story.rows import Row

TOLD_MAX: Final = 200
"""Differences that are told one by one; more are counted."""


@click.command("replay", short_help="Play a past night's presses again.")
@click.argument("journal", type=click.Path(path_type=Path), required=False, shell_complete=offer(journals, files=True))
@click.option("--setlist", type=click.Path(path_type=Path), metavar="SETLIST", help="Play it on this show instead.")
@venue_option
@click.option("--json", "as_json", is_flag=True, help="One JSON object.")
def command(journal: Path | None, setlist: Path | None, venue: str | None, as_json: bool) -> None:
    """Play what the feet, the desk and the players did in a night through the core again. JOURNAL is a night's file, or
    its name as `stagectl nights` lists it; where none is named, it is the last night: the one that began last.

    On the show's files as the journal keeps them everything has to be the same; exit code 1 says that it is not. With
    --setlist it is played on another show, or on yours as it is now, and what would have been different is shown:
    tonight's set, rehearsed with last night's feet. What a foot did on a control that the show does not have is left
    out, and counted.

    \b
    Example:
      stagectl replay --setlist setlists/nine-songs
    """
    import json

    from stagectl.cli.log_lines import heading
    from stagectl.journal.read import files_of, night, one_moment, open_read, sensibly
    from stagectl.live.resume import UNPLAYABLE, chapters
    from stagectl.story.compare import told

    if venue is not None and setlist is None:
        raise click.UsageError("--venue is about the show that --setlist names; the journal knows its own")
    path = journal_at(journal)
    with closing(open_read(path)) as connection, one_moment(connection), sensibly(UNPLAYABLE):
        # It may be played still.
        head = night(connection)
        plans = chapters(files_of(connection, path), head.venue, None)
        if setlist is None:
            played = the_same(connection, plans)
        else:
            from stagectl.cli.common import load

            played = _another(connection, plans, load(setlist, head.venue if venue is None else venue)[1].plan)
    pairs, events, rows, left_out = played
    if as_json:
        from stagectl.story.rows import as_json as fields

        differ = [{"was": [*map(fields, pair.was)], "now": [*map(fields, pair.now)]} for pair in pairs]
        click.echo(
            json.dumps({"events": events, "rows": rows, "left out": left_out, "differ": differ}, ensure_ascii=False)
        )
    else:
        click.echo(heading(head))
        for pair in pairs[:TOLD_MAX]:
            click.echo("\n".join(told(pair)))
        if len(pairs) > TOLD_MAX:
            click.echo(f"  and {len(pairs) - TOLD_MAX} more")
        click.echo(_sum(events, rows, left_out, len(pairs), edited=setlist is not None))
    if pairs and setlist is None:
        raise SystemExit(1)


def _sum(events: int, rows: int, left_out: int, differ: int, *, edited: bool) -> str:
    out = f"{count(events, 'event')} played again: "
    if edited:
        out += f"{count(differ, 'event')} would have led elsewhere" if differ else "nothing would have been different"
        return out + (f"; {count(left_out, 'event')} left out, which this show has nothing for" if left_out else "")
    if differ:
        return out + f"{differ} of {count(rows, 'row')} are not what the journal says"
    return out + f"{count(rows, 'row')}, all as in the journal"


def the_same(connection: sqlite3.Connection, plans: list[Chapter]) -> tuple[list[Pair], int, int, int]:
    """The night on its own files, beside what its journal tells."""
    from stagectl.journal.read import events, rows
    from stagectl.story.compare import unlike
    from stagectl.story.replay import Played, is_of_the_core

    story: list[tuple[int, Row]] = [(number, row) for number, _, row in rows(connection) if is_of_the_core(row)]
    differ: list[Pair] = []
    total = 0
    for at, chapter in enumerate(plans):
        until = plans[at + 1].since if at + 1 < len(plans) else None
        told = [row for number, row in story if number > chapter.since and (until is None or number <= until)]
        night, played = Played(chapter.plan, plans), []
        before = max((row.at for number, row in story if number <= chapter.since), default=0)
        for number, kept in events(connection):
            if until is not None and number > until:
                break
            if number > chapter.since and before:
                # What time alone had brought by then was told by the plan before.
                night.until(before)
                before = 0
            found = night.take(number, kept)
            if number > chapter.since:
                played += found
        if told:
            played += night.until(told[-1].at)
        differ += list(unlike(told, played))
        total += len(told)
    return differ, sum(1 for _ in events(connection)), total, 0


def _another(connection: sqlite3.Connection, plans: list[Chapter], plan: Plan) -> tuple[list[Pair], int, int, int]:
    """The night on another plan, beside the night on its own. There is no desk in either: what it said that night, it
    said of that night's levels."""
    from stagectl.journal.read import events, rows
    from stagectl.story.compare import led_elsewhere
    from stagectl.story.replay import Played, is_of_the_core

    was = [(chapter.since, Played(chapter.plan, plans, deaf=True)) for chapter in plans]
    now, pairs = Played(plan, plans, deaf=True), []
    for number, kept in events(connection):
        told = [(since, night.take(number, kept)) for since, night in was]
        own = [rows_ for since, rows_ in told if number > since][-1]
        pairs.append(led_elsewhere(own, now.take(number, kept)))
    last = max((row.at for _, _, row in rows(connection) if is_of_the_core(row)), default=0)
    pairs.append(led_elsewhere(was[-1][1].until(last), now.until(last)))
    return [pair for pair in pairs if pair is not None], len(pairs) - 1, 0, now.left_out
