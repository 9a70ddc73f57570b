"""`stagectl rehearse`: the night with no hardware."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from stagectl.cli.at import PAGE_AT, page_option
from stagectl.cli.common import load, presses_of, presses_option, setlist_argument, venue_option

if TYPE_CHECKING:
    from stagectl.show.compile import Compiled
    from stagectl.show.load import Show


@click.command("rehearse")
@setlist_argument
@venue_option
@presses_option("A press script (.yaml) or a pedal take (.mid), here or beside the show.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line.")
@page_option(f"Rehearse in a browser, by the real clock; left bare, at {PAGE_AT}.")
def command(
    setlist: Path, venue: str | None, presses: Path | None, as_json: bool, page: tuple[str, int] | None
) -> None:
    """Rehearse a night under a virtual clock, with the built-in desk on the end of the wire.

    At a terminal, keys stand for the controls of each pedal. With --presses a script or a take is played. Anywhere
    else the show's own `presses.yaml` is played, and at the end it says what that comes to for each listener's ears.

    With --page the rehearsal is in a browser, until Ctrl-C: every level in a table, pedals to press, the song's time,
    the desk's messages, and the last night to play again. Files that are saved meanwhile count at once.

    \b
    Examples:
      stagectl rehearse setlists/nine-songs
      stagectl rehearse setlists/nine-songs --page
      stagectl rehearse setlists/nine-songs --presses take.mid --json
    """
    from stagectl.rehearse.room import Room

    if page is not None and as_json:
        raise click.BadParameter("a page tells no lines: leave out one of the two", param_hint="--json")
    show, compiled = load(setlist, venue, stems=True)
    if page is not None:
        _on_page(setlist, venue, presses, (show, compiled), page)
        return
    room = Room(show, compiled)
    if presses is None and not as_json and sys.stdin.isatty() and sys.stdout.isatty():
        from stagectl.rehearse.keys import at_terminal

        at_terminal(room, show)
        return
    from stagectl.rehearse.tell import ears_lines, json_lines, story_lines
    from stagectl.term.ink import echo

    events = presses_of(presses, show, compiled)
    moments = room.play(events)
    for line in json_lines(moments) if as_json else story_lines(moments):
        click.echo(line) if as_json else echo(line)
    wrong = room.differences()
    if wrong:
        raise AssertionError("the virtual desk stands elsewhere: " + "; ".join(wrong))
    if not as_json:
        echo("The virtual desk stands where every change asked it to.", "sound")
    for line in ears_lines(room, as_json):
        click.echo(line) if as_json else echo(line, "summary")


def _on_page(
    setlist: Path, venue: str | None, presses: Path | None, files: tuple[Show, Compiled], page: tuple[str, int]
) -> None:
    """Rehearse in a browser until Ctrl-C."""
    from stagectl.live.loop import play
    from stagectl.rehearse.served import Rehearsed, opened, serve
    from stagectl.term.ink import echo

    show, compiled = files
    script = None if presses is None else (presses.name, presses_of(presses, show, compiled))
    what = Rehearsed(show, compiled, venue, lambda: load(setlist, venue, stems=True), script)

    def say(lines: Sequence[str]) -> None:
        for line in lines:
            echo(line)

    play(serve(what, opened(*page, show.setlist.title), say, lambda text: echo(text, "fault", err=True)))
