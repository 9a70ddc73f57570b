"""`stagectl rehearse`: the night with no hardware."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from stagectl.cli.common import load, presses_of, presses_option, setlist_argument, venue_option


@click.command("rehearse")
@setlist_argument
@venue_option
@presses_option("A press script (.yaml) or a pedal take (.mid), here or beside the show.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line.")
def command(setlist: Path, venue: str | None, presses: Path | None, as_json: bool) -> None:
    """Rehearse a night under a virtual clock, with the built-in desk on the end of the wire.

    At a terminal, keys stand for the controls of each pedal. With --presses a script or a take is played. Anywhere
    else the show's own `presses.yaml` is played, and at the end it says what that comes to for each listener's ears.

    \b
    Examples:
      stagectl rehearse setlists/nine-songs
      stagectl rehearse setlists/nine-songs --presses take.mid --json
    """
    from stagectl.rehearse.room import Room

    show, compiled = load(setlist, venue, stems=True)
    room = Room(show, compiled)
    if presses is None and not as_json and sys.stdin.isatty() and sys.stdout.isatty():
        from stagectl.rehearse.keys import at_terminal

        at_terminal(room, show)
        return
    from stagectl.rehearse.tell import ears_lines, json_lines, story_lines

    events = presses_of(presses, show, compiled)
    moments = room.play(events)
    for line in json_lines(moments) if as_json else story_lines(moments):
        click.echo(line)
    wrong = room.differences()
    if wrong:
        raise AssertionError("the virtual desk stands elsewhere: " + "; ".join(wrong))
    if not as_json:
        click.echo("The virtual desk stands where every change asked it to.")
    for line in ears_lines(room, as_json):
        click.echo(line)
