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

if TYPE_CHECKING:
    import sqlite3

    from stagectl.cli.log_lines import Lines
    from stagectl.journal.query import Wanted

POLL_S: Final = 0.2
"""How often `--follow` looks for more, s."""

FILTERS: Final = ("listener", "song", "pedal", "refused", "since", "slow")


@click.command("log", short_help="Tell what happened in a night.")
@click.option("--listener", metavar="NAME", help="Only changes of their mix, their own presses, refusals of them.")
@click.option("--song", metavar="NAME", help="Only what happened from its arrival to the next one's.")
@click.option(
    "--pedal", metavar="NAME", help="Only this pedal's presses and what they came to, its refusals, its links."
)
@click.option("--refused", is_flag=True, help="Only refusals.")
@click.option(
    "--since", metavar="TIME", help="Only from then on: `21:40` on the wall, `1:12:30` into it, `10 min` ago."
)
@click.option(
    "--slow",
    type=click.FloatRange(0, 3_600_000),
    metavar="MS",
    help="Only presses whose first byte left later than that, and sections that their track brought later.",
)
@click.option("--follow", is_flag=True, help="Go on telling while the night is played.")
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
@click.option("--journal", type=click.Path(path_type=Path), metavar="PATH", help="A night's file; else the last night.")
def command(
    as_json: bool, as_csv: bool, clock: bool, follow: bool, show: Path | None, journal: Path | None, **filters: Any
) -> None:
    """Tell what happened in the last night: every press, change and refusal. Several filters leave what fits them all.

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
    from stagectl.cli.common import last_journal
    from stagectl.cli.log_lines import heading
    from stagectl.journal.read import night, open_read

    path = journal or last_journal()
    with closing(open_read(path)) as connection, suppress(KeyboardInterrupt):
        if show is not None:
            ears = ears_lines(connection, show, as_json)
            _put("\n".join([*([] if as_json else [heading(night(connection))]), *ears, ""]))
            return
        wanted = _wanted(connection, follow, **filters)
        head, lines = _form(connection, as_json, as_csv, clock)
        _put(head)
        told = _tell(connection, wanted, lines, follow)
        if not told and any(wanted) and not (as_json or as_csv):
            _put("Nothing of that in this night.\n")


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
    from stagectl.journal.query import Wanted, end_of, unknown
    from stagectl.journal.read import night

    begins = Wanted()
    if since is not None:
        from stagectl.journal.since import since as begins_at

        try:
            begins = begins_at(since, night(connection), end_of(connection) or time.time_ns() // 1_000)
        except ValueError as error:
            raise click.BadParameter(str(error), param_hint="--since") from error
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
    return f"{log_lines.heading(played)}\n", log_lines.for_people(played, clock)


def ears_lines(connection: sqlite3.Connection, setlist: Path, as_json: bool) -> list[str]:
    """What the night comes to for each listener's ears. Raises FileFaults where the show has faults,
    JournalError where the night was that of another setlist."""
    import json

    from stagectl.cli.common import load
    from stagectl.ears import report
    from stagectl.ears.night import NightEars
    from stagectl.errors import JournalError
    from stagectl.journal.read import night, rows
    from stagectl.show.ears import setting_of

    show, compiled = load(setlist, None)
    played = night(connection).setlist
    if played != show.setlist.title:
        says = f"this night was that of `{played}`, and {show.sources['setlist'].path} is `{show.setlist.title}`"
        raise JournalError(f"{says}: name the setlist that was played")
    setting = setting_of(show)
    told = NightEars(compiled.plan, setting.base)
    found = report.figures(setting.criterion, setting.listeners, told.read(row for _, _, row in rows(connection)))
    notes = told.notes()
    if as_json:
        return [json.dumps(report.as_json(setting.criterion, found, told.now, notes), ensure_ascii=False)]
    return report.lines(setting.criterion, found, notes)


def _tell(connection: sqlite3.Connection, wanted: Wanted, lines: Lines, follow: bool) -> int:
    """Print the rows, and go on with it; how many there were."""
    from stagectl.cli.log_lines import whole_presses
    from stagectl.journal.query import Asking

    asking = Asking(connection, wanted, follow=follow)
    told = 0
    while True:
        for some in whole_presses(asking.rows()):
            told += len(some)
            _put(lines(some))
        if not follow or not wait():
            return told


def _put(text: str) -> None:
    """Print a text as it is: the ends of its lines are not translated, since those of CSV are CR LF everywhere."""
    if not text:
        return
    if "\r\n" not in text:
        click.echo(text, nl=False)
        return
    sys.stdout.flush()
    output = sys.stdout.buffer
    output.write(text.encode())
    output.flush()


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
