"""`stagectl check`: is the show sound?"""

from __future__ import annotations

from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from stagectl.cli.common import count, load, setlist_argument, venue_option
from stagectl.term.ink import echo

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from stagectl.core.plan import Plan
    from stagectl.errors import Advice
    from stagectl.show.load import Show
    from stagectl.show.summary import Change

NOTES_MAX: Final = 12
"""Notes of one kind that are told one by one."""

WARNINGS_MAX: Final = 40
"""Warnings that are told one by one."""


@click.command("check")
@setlist_argument
@venue_option
@click.option("--all", "whole", is_flag=True, help="List every change and every note of a long set.")
@click.option("--here", is_flag=True, help="Look for the sound devices of built-in players at this machine, too.")
def command(setlist: Path, venue: str | None, whole: bool, here: bool) -> None:
    """Load the setlist, the rig, the mappings and the desk profile, check all of it, and sum it up.

    Every fault of every file is printed with its place; the exit code is 1 if there is any. For every venue it is
    proved that no press takes a level above its ceiling, that no change of place rises too far, and that feet get
    everywhere. Sound files are read through. What may be meant but is worth another look is printed as a warning. A
    script of the show's own, `presses.yaml`, that does not fit it is only noted.

    For each change it says how many levels move, and how long telling them takes on the desk's link if each were told
    once; it notes where that leaves a fade no time.

    \b
    Example:
      stagectl check setlists/nine-songs
    """
    from stagectl.errors import FileFaults
    from stagectl.show.proof import proof_of
    from stagectl.show.summary import Changes
    from stagectl.term.waiting import Waiting

    with Waiting("reading the show") as waiting:
        show, compiled = load(setlist, venue, stems=True)

        def watch(venue: str | None, done: int, steps: int) -> None:
            waiting.at(f"proving the night at {venue}" if venue else "proving the night", done, steps)

        proved = proof_of(show, compiled.plan, venue, watch)
        if proved.faults:
            raise FileFaults(proved.faults)
        waiting.at("looking at what each change moves")
        changes = Changes(show, compiled.plan)
        listed = list(changes)
        waiting.at("reading the sound files through")
        advice = [*proved.advice, *_looked_through(show)]
    _summary(show, compiled.plan, venue)
    _tables(show, compiled.plan, venue, changes.everything(), listed, whole)
    echo(f"  {proved.says}", "proved")
    if here:
        from stagectl.cli.here import sound_devices

        advice += sound_devices(show, lambda line: echo(f"  {line}", "summary"))
    warned = _warnings(show, compiled.plan, venue, whole, advice)
    echo(f"No faults, {count(warned, 'warning')}." if warned else "No faults.", "sound")


def _summary(show: Show, plan: Plan, venue: str | None) -> None:
    songs, rig = show.setlist.songs, show.rig
    sections = sum(len(song.sections) for song in songs)
    where = f" at {venue}" if venue else ""
    end = rig.desk.port or "{}:{}".format(*(rig.desk.host or ("", 0)))
    echo(f"{show.setlist.title}{where}: {count(len(songs), 'song')}, {count(sections, 'section')}", "heading")
    for line in (
        f"scenes:    {_names(show.setlist.scenes)}",
        f"venues:    {_names(show.setlist.venues)}",
        f"listeners: {_names(plan.listeners)}; {count(len(plan.inputs), 'input')}",
        f"desk:      {show.profile.name}, at `{end}`",
        f"pedals:    {_names(f'{pedal.name} ({pedal.mapping})' for pedal in rig.pedals)}",
    ):
        echo(f"  {line}", "summary")


def _tables(
    show: Show, plan: Plan, venue: str | None, everything: Change, changes: Sequence[Change], whole: bool
) -> None:
    from stagectl.cli import clarity
    from stagectl.cli.changes import stored_note, table, wire_notes
    from stagectl.show.clarity import mixes

    for line in table(show, plan, everything, changes, whole):
        echo(line, "table")
    for line in clarity.table(plan, list(mixes(show.rig, plan)), whole):
        echo(line, "table")
    for line in _set_length(show, plan, venue):
        echo(f"  {line}", "summary")
    for note in _some(wire_notes(show, plan, everything, changes), whole):
        echo(f"  note: {note}", "note")
    for one in (stored_note(plan, changes), _script_note(show, plan)):
        if one is not None:
            echo(f"  note: {one}", "note")


def _warnings(show: Show, plan: Plan, venue: str | None, whole: bool, more: Iterable[Advice]) -> int:
    """Print what is worth another look, each with its place: at the venue, or at each where none is chosen; how much
    there is of it."""
    from stagectl.show.advice import advice_on, elsewhere

    found = advice_on(show, plan, more, elsewhere(show, venue))
    for advice in found if whole else found[:WARNINGS_MAX]:
        echo(str(advice), "warning")
    if not whole and len(found) > WARNINGS_MAX:
        echo(f"and {count(len(found) - WARNINGS_MAX, 'more warning')}; `--all` lists them")
    return len(found)


def _looked_through(show: Show) -> list[Advice]:
    """What is wrong with the sound files that the show plays."""
    if not any(song.cue is not None and song.cue.stems for song in show.setlist.songs):
        return []
    from stagectl.tracks.sound.look import look

    return look(show, through=True).advice


def _some(notes: Iterable[str], whole: bool) -> Iterator[str]:
    """Notes of one kind, up to `NOTES_MAX` of them."""
    rest = iter(notes)
    yield from rest if whole else islice(rest, NOTES_MAX)
    more = sum(1 for _ in rest)
    if more:
        yield f"and {count(more, 'more change')} of that kind; `--all` lists them"


def _set_length(show: Show, plan: Plan, venue: str | None) -> Iterator[str]:
    """How long the set takes, and how that fits the timetable; nothing where neither is known."""
    from stagectl.show.set_length import length_of, length_text
    from stagectl.show.timetable import timetable_at

    length, timetable = length_of(show, plan), timetable_at(show.setlist, venue)
    if timetable is not None or length.unsaid < length.songs:
        yield length_text(length, timetable)


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
        return f"{first}" + (f"; and {count(len(more), 'more fault')} of this script" if more else "")
    return None


def _names(names: Iterable[str]) -> str:
    listed = list(names)
    return ", ".join(listed) if listed else "none"
