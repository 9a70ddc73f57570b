"""`stagectl replay`: a past night's presses once more."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Final, NamedTuple

import click

from stagectl.cli.common import count, journal_at, venue_option
from stagectl.cli.complete import journals, offer

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Sequence

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
    tonight's set, rehearsed with last night's feet. What hands moved at the desk goes along; what a foot did on a
    control that the show does not have is left out, and counted.

    \b
    Example:
      stagectl replay --setlist setlists/nine-songs
    """
    import json

    from stagectl.cli.common import put_utf8
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
            played = _Differs(*the_same(connection, plans))
        else:
            played = _another(connection, plans, _plan_of(setlist, head.venue, venue))
    pairs = played.pairs
    if as_json:
        from stagectl.story.rows import as_json as fields

        differ = [{"was": [*map(fields, pair.was)], "now": [*map(fields, pair.now)]} for pair in pairs]
        counts = {"events": played.events, "rows": played.rows, "left out": played.left_out}
        hands = {"hands": played.hands, "hands left out": [*played.hands_left_out]}
        put_utf8(f"{json.dumps(counts | hands | {'differ': differ}, ensure_ascii=False)}\n")
    else:
        click.echo(heading(head))
        for pair in pairs[:TOLD_MAX]:
            click.echo("\n".join(told(pair)))
        if len(pairs) > TOLD_MAX:
            click.echo(f"  and {len(pairs) - TOLD_MAX} more")
        click.echo(_sum(played, edited=setlist is not None))
    if pairs and setlist is None:
        raise SystemExit(1)


def _sum(played: _Differs, *, edited: bool) -> str:
    differ, left_out = len(played.pairs), played.left_out
    out = f"{count(played.events, 'event')} played again: "
    if edited:
        out += f"{count(differ, 'event')} would have led elsewhere" if differ else "nothing would have been different"
        out += f"; {count(left_out, 'event')} left out, which this show has nothing for" if left_out else ""
        out += f"; {count(played.hands, 'hand')} at the desk went along" if played.hands else ""
        if played.hands_left_out:
            from stagectl.errors import first_of

            out += f", but what they moved is not in this show: {first_of(played.hands_left_out)}"
        return out
    if differ:
        return out + f"{differ} of {count(played.rows, 'row')} are not what the journal says"
    return out + f"{count(played.rows, 'row')}, all as in the journal"


def _plan_of(setlist: Path, played_at: str | None, venue: str | None) -> Plan:
    """The plan of the show at the venue that is named, or else at the one where the night was played, as far as the
    show has it."""
    from stagectl.cli.common import compiled_at
    from stagectl.show.load import load_show
    from stagectl.where import show_at

    show = load_show(show_at(setlist))
    if venue is None and played_at in show.setlist.venues:
        venue = played_at
    elif venue is None and played_at is not None:
        says = f"this show has no venue `{played_at}`, where the night was: it is played without one"
        click.echo(says + ("; --venue names another" if show.setlist.venues else ""), err=True)
    return compiled_at(show, venue).plan


class _Differs(NamedTuple):
    """What differs, of how many events and rows. `left_out`: events that the other plan has nothing for; `hands`: how
    many hands at the desk went along, and `hands_left_out`, what they moved that the other plan does not have."""

    pairs: list[Pair]
    events: int
    rows: int
    left_out: int = 0
    hands: int = 0
    hands_left_out: tuple[str, ...] = ()


def the_same(connection: sqlite3.Connection, plans: list[Chapter]) -> tuple[list[Pair], int, int, int]:
    """The night on its own files, beside what its journal tells."""
    from stagectl.journal.read import events, rows
    from stagectl.live.resume import last_made, turns
    from stagectl.story.compare import unlike
    from stagectl.story.replay import is_of_the_core
    from stagectl.story.retold import Retold

    played: list[list[Row]] = [[] for _ in plans]
    night = Retold(plans, turns(connection, plans), tell=lambda at, made: played[at].extend(made))
    total = 0
    for number, kept in events(connection):
        night.take(number, kept)
        total += 1
    night.until(last_made(connection))
    told: list[list[Row]] = [[] for _ in plans]
    at = 0
    for number, _, row in rows(connection):
        while at + 1 < len(plans) and number > plans[at + 1].since:
            at += 1
        if is_of_the_core(row):
            told[at].append(row)
    pairs = [pair for was, now in zip(told, played, strict=True) for pair in unlike(was, now)]
    return pairs, total, sum(map(len, told)), 0


def _another(connection: sqlite3.Connection, plans: list[Chapter], plan: Plan) -> _Differs:
    """The night on another plan, beside the night as it was. The other one has no desk: what the desk said that night,
    it said of that night's levels. What hands have moved on it goes along."""
    from stagectl.journal.read import events
    from stagectl.live.resume import last_made, learn, turns
    from stagectl.story.compare import led_elsewhere
    from stagectl.story.replay import Played
    from stagectl.story.retold import Retold

    was: list[Row] = []
    night = Retold(plans, turns(connection, plans), tell=lambda _, made: was.extend(made), watched=True)
    now, pairs, total, told, hands = Played(plan, plans, deaf=True), [], 0, 0, 0
    for number, kept in events(connection):
        found = night.take(number, kept)
        told += len(was)
        pairs.append(led_elsewhere(_but_the_desks(was), [*learn(now, found), *now.take(number, kept)]))
        was.clear()
        total, hands = total + 1, hands + sum(len(some) for _, some in found)
    last = last_made(connection)
    found = night.until(last)
    told += len(was)
    pairs.append(led_elsewhere(_but_the_desks(was), [*learn(now, found), *now.until(last)]))
    hands += sum(len(some) for _, some in found)
    differ = [pair for pair in pairs if pair is not None]
    return _Differs(differ, total, told, now.left_out, hands, tuple(now.hands_left_out))


def _but_the_desks(rows: Sequence[Row]) -> list[Row]:
    """Rows but for those that only say what becomes of a desk: that it comes and goes, and what it is read to have."""
    return [row for row in rows if not (row.who == "desk" and row.pedal is None and row.what != "hand")]
