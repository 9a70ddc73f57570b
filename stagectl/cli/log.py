"""`stagectl log`: the story of a night, from its journal."""

from __future__ import annotations

import select
import sys
import time
from contextlib import closing, suppress
from math import isnan
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from stagectl.cli.complete import journals, of_night, offer

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Callable

    from stagectl.cli.log_lines import Lines
    from stagectl.journal.query import Wanted

POLL_S: Final = 0.2
"""How often `--follow` looks for more, s."""

WITHOUT_ARRIVALS: Final = ("listener", "pedal", "refused", "slow_us")
"""What leaves out arrivals that its rows came after, where it is asked for."""


@click.command("log", short_help="Tell what happened in a night.")
@click.option(
    "--listener",
    metavar="NAME",
    shell_complete=offer(of_night("listener")),
    help="Only changes of their mix, their own presses, refusals of them.",
)
@click.option(
    "--song",
    metavar="NAME",
    shell_complete=offer(of_night("song")),
    help="Only what happened from its arrival to the next one's.",
)
@click.option(
    "--pedal",
    metavar="NAME",
    shell_complete=offer(of_night("pedal")),
    help="Only this pedal's presses and what they came to, its refusals, its links.",
)
@click.option("--refused", is_flag=True, help="Only refusals.")
@click.option(
    "--since", metavar="TIME", help="Only from then on: `21:40` on the wall, `0:04:30` into it, `10 min` ago."
)
@click.option(
    "--slow",
    type=click.FloatRange(0, 3_600_000),
    metavar="MS",
    help="Only presses whose first byte left later than that, and sections that their track brought later.",
)
@click.option("--follow", is_flag=True, help="Go on telling while the night is played, until it ends.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line.")
@click.option("--csv", "as_csv", is_flag=True, help="CSV for a spreadsheet (RFC 4180, UTF-8).")
@click.option("--clock/--no-clock", default=True, show_default=True, help="Begin each line with the time on the wall.")
@click.option(
    "--ears",
    "show",
    type=click.Path(path_type=Path),
    metavar="SETLIST",
    help="Only what it came to for each listener's ears, by the rig of this show.",
)
@click.option(
    "--journal",
    type=click.Path(path_type=Path),
    metavar="JOURNAL",
    shell_complete=offer(journals, files=True),
    help="A night's file or name; else the last night.",
)
def command(
    as_json: bool, as_csv: bool, clock: bool, follow: bool, show: Path | None, journal: Path | None, **filters: Any
) -> None:
    """Tell what happened in the last night, which is the one that began last: every press, change and refusal. JOURNAL
    is a night's file, or its name as `stagectl nights` lists it.

    Several filters leave what fits them all. Above what is left of a song stands the line of its arrival; in JSON and
    CSV it does not. A time such as `0:44` is one on the wall; where the night had not come to it, it is minutes and
    seconds into the night. `1:12:30` is one of the night; where that did not last so long, it is one on the wall.
    `2:30 CET` says which clock it is of, where clocks were changed. `10 min` counts back from now, or from the last row
    of a night that is over.

    In CSV an apostrophe stands before a text that a spreadsheet would take for a formula.

    With --ears it estimates each listener's exposure to sound instead, from the first recall to the end. What was
    measured stands in the rig, so that it may also be measured afterwards. It is an estimate: local rules and a hearing
    professional decide.

    \b
    Examples: what changes in the singer's mix, as it does; what a foot was refused in one song; what the night came to
      stagectl log --follow --listener singer
      stagectl log --pedal "vocal pedal" --refused --song "Slow Tram Home"
      stagectl log --ears setlists/nine-songs
    """
    _check_usage(as_json, as_csv, follow, show, filters)
    from stagectl.cli.common import journal_at, put_utf8
    from stagectl.cli.log_lines import heading
    from stagectl.journal.read import night, open_read
    from stagectl.term.ink import echo

    path = journal_at(journal)
    with closing(open_read(path)) as connection, suppress(KeyboardInterrupt):
        if show is not None:
            ears = ears_lines(connection, show, as_json)
            if not as_json:
                echo(heading(night(connection)), "heading")
            for line in ears:
                put_utf8(f"{line}\n") if as_json else echo(line, "summary")
            return
        wanted = _wanted(connection, path, follow, **filters)
        head, lines = _form(connection, as_json, as_csv, clock)
        put = put_utf8 if as_json or as_csv else _put
        put(head)
        told = _tell(connection, wanted, lines, put, follow, headed=not (as_json or as_csv))
        if not told and any(wanted) and not (as_json or as_csv):
            put("Nothing of that in this night.\n")


def _check_usage(as_json: bool, as_csv: bool, follow: bool, show: Path | None, filters: dict[str, Any]) -> None:
    if show is not None and follow:
        raise click.UsageError("--ears adds a night up and --follow goes on telling it: give one of them")
    if show is not None and (as_csv or any(value not in (None, False) for value in filters.values())):
        raise click.UsageError("--ears adds up a whole night: give it without filters and without --csv")
    if as_json and as_csv:
        raise click.UsageError("--json and --csv are two ways of telling it: give one of them")
    if filters["slow"] is not None and isnan(filters["slow"]):
        raise click.BadParameter("it is no number of milliseconds", param_hint="--slow")
    if filters["refused"] and filters["slow"] is not None:
        raise click.UsageError("what was refused told nobody anything, late or not: give --refused or --slow")


def _wanted(
    connection: sqlite3.Connection,
    path: Path,
    follow: bool,
    listener: str | None,
    song: str | None,
    pedal: str | None,
    refused: bool,
    since: str | None,
    slow: float | None,
) -> Wanted:
    """What the filters ask for. A name that the night does not have, or a text that is no time, is wrong usage; while
    the night goes on, the name is only warned of, since it may come up."""
    from stagectl.journal.query import Wanted, last, unknown
    from stagectl.journal.read import night

    begins = Wanted()
    if since is not None:
        from stagectl.journal.since import note
        from stagectl.journal.since import since as begins_at
        from stagectl.journal.spool import writer_of

        row = last(connection)
        # Of a night that nobody plays any more, now is when its last row was written.
        now_us = time.time_ns() // 1_000 if row is None or writer_of(path) is not None else row.wall_us
        try:
            begins = begins_at(since, night(connection), now_us, row)
        except ValueError as error:
            raise click.BadParameter(str(error), param_hint="--since") from error
        if (says := note(since, begins)) is not None:
            click.echo(f"stagectl: --since: {says}", err=True)
    slow_us = None if slow is None else round(slow * 1_000)
    wanted = begins._replace(listener=listener, song=song, pedal=pedal, refused=refused, slow_us=slow_us)
    for part, says in unknown(connection, wanted).items():
        if not follow:
            raise click.BadParameter(says, param_hint=f"--{part}")
        click.echo(f"stagectl: warning: {says}; waiting for it", err=True)
    return wanted


def _form(connection: sqlite3.Connection, as_json: bool, as_csv: bool, clock: bool) -> tuple[str, Lines]:
    """What is printed first, and how rows are printed."""
    from stagectl.cli import log_lines
    from stagectl.journal.read import night

    if as_json:
        return "", log_lines.as_json(connection)
    played = night(connection)
    if as_csv:
        from stagectl.journal.csv_rows import header

        return header(), log_lines.as_csv(played)
    from stagectl.story.told import Told
    from stagectl.term.ink import pen_for

    pen = pen_for(sys.stdout)
    head = pen(Told(log_lines.heading(played), "heading"))
    return f"{head}\n", log_lines.for_people(played, clock, pen)


def ears_lines(connection: sqlite3.Connection, setlist: Path, as_json: bool) -> list[str]:
    """What the night comes to for each listener's ears. Raises FileFaults where the show has faults,
    JournalError where the night was that of another setlist."""
    import json

    from stagectl.cli.common import load
    from stagectl.ears import report
    from stagectl.ears.night import NightEars
    from stagectl.errors import JournalError
    from stagectl.journal.of_setlist import of_another
    from stagectl.journal.read import night, rows
    from stagectl.show.ears import setting_of
    from stagectl.term.waiting import Waiting, last_number, number, over_rows

    show, compiled = load(setlist, None)
    says = of_another(night(connection), show.sources["setlist"].path, show.setlist.title)
    if says is not None:
        raise JournalError(says)
    setting = setting_of(show)
    told = NightEars(compiled.plan, setting.base)
    with Waiting("adding the night up") as waiting:
        story = over_rows(waiting, rows(connection), last_number(connection), number)
        ears = told.read(row for _, _, row in story)
    found = report.figures(setting.criterion, setting.listeners, ears)
    notes = told.notes()
    if as_json:
        return [json.dumps(report.as_json(setting.criterion, found, told.now, notes), ensure_ascii=False)]
    return report.lines(setting.criterion, found, notes)


def _tell(
    connection: sqlite3.Connection,
    wanted: Wanted,
    lines: Lines,
    put: Callable[[str], None],
    follow: bool,
    *,
    headed: bool,
) -> int:
    """Print the rows by `put`, and go on with it until the night ends; how many there were. `headed`: where a filter
    leaves out arrivals, with them above what came after them."""
    from stagectl.cli.log_lines import whole_presses
    from stagectl.journal.headings import Headings
    from stagectl.journal.query import Asking, end_of
    from stagectl.term.waiting import Waiting, last_number, number, over_rows

    asking = Asking(connection, wanted, follow=follow)
    asked = (getattr(wanted, part) for part in WITHOUT_ARRIVALS)
    left_out = any(value is not None and value is not False for value in asked)
    headings = Headings(connection) if headed and left_out else None
    told = 0
    while True:
        # Asked before the rows are read, so that none that came before the end is missed.
        over = not follow or end_of(connection) is not None
        with Waiting("reading the night", draws=not follow) as waiting:
            found = over_rows(waiting, asking.rows(), last_number(connection), number)
            for some in whole_presses(found if headings is None else headings.over(found)):
                told += len(some)
                text = lines(some)
                if sys.stdout.isatty():
                    waiting.hide()
                put(text)
        if over or not wait():
            return told


def _put(text: str) -> None:
    """Print a text for people, as far as there is one."""
    if text:
        click.echo(text, nl=False)


def wait() -> bool:
    """Wait for POLL_S, or until nobody reads what is written any more. Returns whether somebody does."""
    try:
        output = select.poll()
        output.register(sys.stdout.fileno(), 0)
    except (AttributeError, OSError, ValueError):
        time.sleep(POLL_S)
        return True
    # With no event asked for, only a closed reading end or a hang-up is told.
    return not output.poll(POLL_S * 1000)
