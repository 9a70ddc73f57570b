"""`stagectl log`: the story of a night, from its journal."""

from __future__ import annotations

import select
import sys
import time
from contextlib import closing, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

if TYPE_CHECKING:
    import sqlite3

    from stagectl.journal.schema import Night
    from stagectl.story.rows import Row

POLL_S: Final = 0.2
"""How often `--follow` looks for more, s."""


@click.command("log", short_help="Tell what happened in a night.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line.")
@click.option("--follow", is_flag=True, help="Go on telling while the night is played.")
@click.option(
    "--ears",
    "show",
    type=click.Path(path_type=Path),
    metavar="SETLIST",
    help="Only what it came to for each listener's ears, by the rig of this show.",
)
@click.option("--journal", type=click.Path(path_type=Path), metavar="PATH", help="A night's file; else the last night.")
def command(as_json: bool, follow: bool, show: Path | None, journal: Path | None) -> None:
    """Tell what happened in the last night: every press, change and refusal.

    With --ears it estimates each listener's exposure to sound instead, from the first recall to the end. What was
    measured stands in the rig, so that it may also be measured afterwards. It is an estimate: local rules and a hearing
    professional decide.

    \b
    Examples: what changes in the singer's mix, as it does; what the night came to
      stagectl log --follow | grep singer
      stagectl log --ears setlists/nine-songs
    """
    if show is not None and follow:
        raise click.UsageError("--ears adds a night up and --follow goes on telling it: give one of them")
    from stagectl.errors import JournalError
    from stagectl.journal.paths import latest, nights, spare_nights
    from stagectl.journal.read import night, open_read

    path = journal or latest(nights(), spare_nights())
    if path is None:
        raise JournalError(f"there is no night yet in {nights()}")
    with closing(open_read(path)) as connection, suppress(KeyboardInterrupt):
        ears = None if show is None else ears_lines(connection, show, as_json)
        if not as_json:
            click.echo(heading(night(connection)))
        if ears is not None:
            click.echo("\n".join(ears))
        else:
            _tell(connection, as_json, follow)


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


def heading(night: Night) -> str:
    """The setlist, the venue, and when the night began, in its own zone."""
    from datetime import timedelta, timezone

    from stagectl.journal.paths import when

    begun = when(night.begun_us).astimezone(timezone(timedelta(seconds=night.zone_offset)))
    parts = (night.setlist, night.venue, f"{begun:%Y-%m-%d %H:%M} {night.zone}")
    return ", ".join(part for part in parts if part)


def _tell(connection: sqlite3.Connection, as_json: bool, follow: bool) -> None:
    from stagectl.journal.read import rows

    told = 0
    while True:
        some = list(rows(connection, told))
        if some:
            told = some[-1][0]
            said = _lines([(wall_us, row) for _, wall_us, row in some], as_json)
            if said:
                click.echo("\n".join(said))
        if not follow or not wait():
            return


def _lines(some: list[tuple[int, Row]], as_json: bool) -> list[str]:
    if not as_json:
        from stagectl.story.words import lines

        return lines([row for _, row in some])
    import json

    from stagectl.journal.paths import when
    from stagectl.story.rows import as_json as fields

    return [
        json.dumps({"wall": when(wall_us).isoformat(timespec="microseconds")} | fields(row), ensure_ascii=False)
        for wall_us, row in some
    ]


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
