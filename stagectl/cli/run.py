"""`stagectl run`: the daemon in the foreground."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from stagectl.cli.at import SERVED_HELP, page_option
from stagectl.cli.common import api_option, compiled_at, load, setlist_argument, venue_option

if TYPE_CHECKING:
    from stagectl.show.compile import Compiled
    from stagectl.show.files import Files
    from stagectl.show.load import Show


@click.command("run")
@setlist_argument
@venue_option
@api_option
@click.option("--journal", type=click.Path(path_type=Path), metavar="PATH", help="Where to keep the night's journal.")
@click.option("--fresh", is_flag=True, help="Begin a new night, even where the last one was broken off.")
@click.option("--dry", is_flag=True, help="Read the desk, say what the first `next` would change, and change nothing.")
@page_option(SERVED_HELP)
@click.option("--control", is_flag=True, help="Let whoever has the key that is printed control from the page.")
def command(
    setlist: Path,
    venue: str | None,
    api: str,
    journal: Path | None,
    fresh: bool,
    dry: bool,
    page: tuple[str, int] | None,
    control: bool,
) -> None:
    """Play the night until Ctrl-C: serve the pedals, the desk and the players, and keep the journal.

    A pedal or desk that is missing is waited for; the rest is served. A night that was broken off by a crash or a power
    cut is taken up again where it was, and at its venue where none is named. SETLIST is the file or its folder.

    With --dry, the exit code is 0 where all was read that can be, and 3 where the desk is not here, does not answer, or
    has not said everything.

    With --page, a browser shows the song, the clock, what the last press did and everybody's nudges. Where more than
    this machine can reach it, it needs the key that is printed, with a code for a phone's camera.

    \b
    Examples:
      stagectl run setlists/nine-songs --venue "Tidewater Hall"
      stagectl run setlists/nine-songs --page 0.0.0.0:8480 --control
    """
    import gc
    from contextlib import ExitStack

    from stagectl.live.early import reach_early
    from stagectl.show.files import Files
    from stagectl.where import show_at

    if control and page is None:
        raise click.BadParameter("controls are on the page: add --page", param_hint="--control")
    # What is loaded stays, so nothing is looked for in it: that would take a tenth of the start.
    gc.disable()
    try:
        with ExitStack() as not_begun:
            files = Files()
            early = None if dry else reach_early(show_at(setlist), files, api)
            if early is not None:
                not_begun.callback(early.close)
            show, compiled = _loaded(setlist, venue, files, journal, goes_on=not (fresh or dry))
            if dry:
                import asyncio

                from stagectl.cli.main import SYSTEM
                from stagectl.live.dry import look
                from stagectl.term.ink import echo

                goes_on = None if fresh else _goes_on(show, journal)
                known, lines = asyncio.run(look(show, compiled, api))
                for line in (*([goes_on] if goes_on else ()), *lines):
                    echo(line, "table")
                raise SystemExit(0 if known else SYSTEM)
            if venue is None and show.setlist.venues and not fresh:
                from stagectl.live.record import venue_again
                from stagectl.show.compile import compile_show

                venue = venue_again(show, journal)
                if venue is not None:
                    compiled = compile_show(show, venue)
                    click.echo(f"at {venue}, where the night was broken off", err=True)
            from stagectl.live.daemon import run
            from stagectl.live.loop import outlive_terminal, play

            served = None
            if page is not None:
                from stagectl.live.page import Served

                served = Served(*page, control=control)
            not_begun.pop_all()
        outlive_terminal()
        play(run(show, compiled, venue, api, journal, fresh=fresh, page=served, early=early))
    finally:
        gc.enable()


def _loaded(
    setlist: Path, venue: str | None, files: Files, journal: Path | None, *, goes_on: bool
) -> tuple[Show, Compiled]:
    """The show and its plan. `files`: what was read of it; `goes_on`: where they have faults, a night that was broken
    off goes on by those that its journal keeps. Raises FileFaults; a venue that there is not is wrong usage."""
    from stagectl.errors import FileFaults

    try:
        return load(setlist, venue, files=files)
    except FileFaults as error:
        if not goes_on:
            raise
        from stagectl.live.as_it_was import as_it_was
        from stagectl.show.files import setlist_file
        from stagectl.where import show_at

        show, says = as_it_was(setlist_file(show_at(setlist)), journal, error)
        click.echo(f"{error}\nstagectl: {says}", err=True)
        return show, compiled_at(show, venue)


def _goes_on(show: Show, journal: Path | None) -> str | None:
    import time

    from stagectl.live.broken_off import goes_on

    return goes_on(show.sources["setlist"].path.resolve(), journal, time.time_ns() // 1000)
