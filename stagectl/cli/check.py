"""`stagectl check`: is the show sound?"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from stagectl.cli.common import load, setlist_argument, venue_option

if TYPE_CHECKING:
    from collections.abc import Iterable

    from stagectl.core.plan import Plan
    from stagectl.show.load import Show


@click.command("check")
@setlist_argument
@venue_option
def command(setlist: Path, venue: str | None) -> None:
    """Load the setlist, the rig, the mappings and the desk profile, check all of it, and sum it up.

    Every fault of every file is printed with its place; the exit code is 1 if there is any. A script of the show's
    own, `presses.yaml`, that does not fit it is only noted.

    \b
    Example:
      stagectl check setlists/nine-songs
    """
    show, compiled = load(setlist, venue)
    _summary(show, compiled.plan, venue)


def _summary(show: Show, plan: Plan, venue: str | None) -> None:
    from stagectl.core.levels import text
    from stagectl.show.summary import changes, held_down
    from stagectl.story.rows import stop_names
    from stagectl.story.words import place

    songs, rig = show.setlist.songs, show.rig
    sections = sum(len(song.sections) for song in songs)
    where = f" at {venue}" if venue else ""
    click.echo(f"{show.setlist.title}{where}: {_count(len(songs), 'song')}, {_count(sections, 'section')}")
    click.echo(f"  scenes:    {_names(show.setlist.scenes)}")
    click.echo(f"  venues:    {_names(show.setlist.venues)}")
    click.echo(f"  listeners: {_names(plan.listeners)}; {_count(len(plan.inputs), 'input')}")
    end = rig.desk.port or "{}:{}".format(*(rig.desk.host or ("", 0)))
    click.echo(f"  desk:      {show.profile.name}, at `{end}`")
    click.echo(f"  pedals:    {_names(f'{pedal.name} ({pedal.mapping})' for pedal in rig.pedals)}")
    click.echo("  biggest jump of each change:")
    for change in changes(plan):
        name = place(*stop_names(plan, change.stop))
        said = _count(change.sends, "level")
        if change.switched:
            said += f", {change.switched} of them to or from off"
        if change.send is not None:
            said += f"; {plan.send_name(change.send)}: {text(change.before)} → {text(change.after)}"
        click.echo(f"    {name}: {said}")
    for held in held_down(plan):
        name = place(*stop_names(plan, held.stop))
        asks = f"{name} asks for {text(held.level)} of {plan.send_name(held.send)}"
        click.echo(f"  note: {asks}; {text(held.held)} is as far as it goes")
    note = _script_note(show, plan)
    if note is not None:
        click.echo(f"  note: {note}")
    click.echo("No faults.")


def _script_note(show: Show, plan: Plan) -> str | None:
    """What is wrong in the show's own script: the first fault, and how many more there are."""
    from stagectl.errors import FileFaults
    from stagectl.rehearse.script import SCRIPT, read_script

    path = show.folder / SCRIPT
    if not path.exists():
        return None
    try:
        read_script(path, plan)
    except FileFaults as error:
        first, *more = error.faults
        return f"{first}" + (f"; and {_count(len(more), 'more fault')} of this script" if more else "")
    return None


def _count(number: int, what: str) -> str:
    return f"{number} {what}" + ("" if number == 1 else "s")


def _names(names: Iterable[str]) -> str:
    listed = list(names)
    return ", ".join(listed) if listed else "none"
