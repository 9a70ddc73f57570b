"""`stagectl run`: the daemon in the foreground."""

from __future__ import annotations

from pathlib import Path

import click

from stagectl.cli.common import api_option, load, setlist_argument, venue_option


@click.command("run")
@setlist_argument
@venue_option
@api_option
@click.option("--journal", type=click.Path(path_type=Path), metavar="PATH", help="Where to keep the night's journal.")
@click.option("--fresh", is_flag=True, help="Begin a new night, even where the last one was broken off.")
@click.option("--dry", is_flag=True, help="Read the desk, say what the first recall would change, and change nothing.")
def command(setlist: Path, venue: str | None, api: str, journal: Path | None, fresh: bool, dry: bool) -> None:
    """Play the night until Ctrl-C: serve the pedals, the desk and the players, and keep the journal.

    A pedal or desk that is missing is waited for; the rest is served. A night that was broken off by a crash or a power
    cut is taken up again where it was. SETLIST is the file or its folder.

    \b
    Example:
      stagectl run setlists/nine-songs --venue "Tidewater Hall"
    """
    import asyncio

    show, compiled = load(setlist, venue)
    if dry:
        from stagectl.live.dry import look

        known, lines = asyncio.run(look(show, compiled, api))
        click.echo("\n".join(lines))
        raise SystemExit(0 if known else 1)
    from stagectl.live.daemon import run
    from stagectl.live.loop import play

    play(run(show, compiled, venue, api, journal, fresh=fresh))
