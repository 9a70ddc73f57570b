"""`stagectl report`: one page of a night, to look at."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from stagectl.cli.complete import journals, offer

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Sequence

    from stagectl.show.compile import Compiled
    from stagectl.show.load import Show


@click.command("report", short_help="One page of a night, to look at.")
@click.argument("journal", type=click.Path(path_type=Path), required=False, shell_complete=offer(journals, files=True))
@click.option(
    "--setlist",
    "show",
    type=click.Path(path_type=Path),
    metavar="SETLIST",
    help="The show that was played, for timetable, ceilings and ears; else the one that the journal kept.",
)
@click.option(
    "-o", "--output", type=click.Path(path_type=Path), metavar="FILE", help="Where to; `-` is standard output."
)
@click.option("--json", "as_json", is_flag=True, help="The same figures as one JSON object.")
@click.option("--force", is_flag=True, help="Write over a file that is no report.")
def command(journal: Path | None, show: Path | None, output: Path | None, as_json: bool, force: bool) -> None:
    """Make one page of a night: each listener's levels by song, nudges, ceilings, refusals, how soon bytes left, what
    was lost, the clock against the timetable, and what it came to at the ears.

    JOURNAL is a night's file, or its name as `stagectl nights` lists it; where none is named, it is the last night: the
    one that began last. The page is one HTML file that needs nothing
    else; it prints on A4 and Letter. Without -o it is called after the journal, here; with --json it goes to standard
    output.

    \b
    Examples: the last night; its figures for another program
      stagectl report --setlist my-show -o night.html
      stagectl report --json
    """
    import gc

    # What is made here is kept to the end, so nothing is looked for in it.
    gc.disable()
    try:
        _report(journal, show, output, as_json, force)
    finally:
        gc.enable()


def _report(journal: Path | None, show: Path | None, output: Path | None, as_json: bool, force: bool) -> None:
    import json
    import sys
    from contextlib import closing

    from stagectl.cli.common import journal_at
    from stagectl.journal.read import open_read, sensibly
    from stagectl.report.as_json import as_json as figures
    from stagectl.report.build import build
    from stagectl.report.keep import keep, may_keep
    from stagectl.report.page import page
    from stagectl.term.waiting import Waiting, counts_rows

    path = journal_at(journal)
    if output is None:
        output = Path("-") if as_json else Path(f"{path.stem}.html")
    to_stdout = str(output) == "-"
    if not to_stdout:
        may_keep(output, force)
    with closing(open_read(path)) as connection, Waiting("reading the show") as waiting:
        played = _played(connection, show)
        waiting.at("adding the night up")
        counts_rows(waiting, connection)

        def passed(changes: int) -> None:
            waiting.done += changes

        with sensibly("the journal says what no night can say"):
            report, wall = build(connection, *played, passed=passed)
            text = json.dumps(figures(report, wall), ensure_ascii=False) + "\n" if as_json else page(report, wall)
    if to_stdout:
        # The page says that it is UTF-8, whatever the terminal is set to.
        sys.stdout.buffer.write(text.encode("utf-8", "replace"))
        sys.stdout.buffer.flush()
        return
    keep(output, text, force)
    click.echo(f"wrote {output}")


def _played(connection: sqlite3.Connection, setlist: Path | None) -> tuple[Show | None, Compiled | None, Sequence[str]]:
    """The show that was played, and notes on it: the one that is named, or else the one that the journal kept; neither
    where there is none."""
    from stagectl.cli.common import load
    from stagectl.journal.read import files

    if setlist is not None:
        return *load(setlist, None, stems=True), ()
    kept = files(connection)
    if not kept:
        return None, None, ()
    from stagectl.errors import FileFaults
    from stagectl.show.compile import compile_show
    from stagectl.show.load import load_kept

    try:
        # Where the show was changed in mid-night, the last is taken.
        show = load_kept(list(kept.values())[-1])
        return show, compile_show(show), ()
    except FileFaults as error:
        says = f"the show that the journal kept cannot be taken any more ({error.faults[0]}); `--setlist` names another"
        return None, None, (says,)
