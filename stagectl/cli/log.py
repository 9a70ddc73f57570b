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
@click.option("--journal", type=click.Path(path_type=Path), metavar="PATH", help="A night's file; else the last night.")
def command(as_json: bool, follow: bool, journal: Path | None) -> None:
    """Tell what happened in the last night: every press, change and refusal.

    \b
    Example: what changes in the singer's mix, as it does
      stagectl log --follow | grep singer
    """
    from stagectl.errors import JournalError
    from stagectl.journal.paths import latest, nights, spare_nights
    from stagectl.journal.read import night, open_read

    path = journal or latest(nights(), spare_nights())
    if path is None:
        raise JournalError(f"there is no night yet in {nights()}")
    with closing(open_read(path)) as connection, suppress(KeyboardInterrupt):
        if not as_json:
            click.echo(heading(night(connection)))
        _tell(connection, as_json, follow)


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
            click.echo("\n".join(_lines([(wall_us, row) for _, wall_us, row in some], as_json)))
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
