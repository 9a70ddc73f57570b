"""What several commands share: the setlist argument, the venue, the MIDI system, what feet do in a rehearsal."""

from __future__ import annotations

import sys
from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from stagectl.cli.complete import offer, venues

if TYPE_CHECKING:
    from stagectl.rehearse.room import Timed
    from stagectl.show.compile import Compiled
    from stagectl.show.files import Files
    from stagectl.show.load import Show

CommandT = TypeVar("CommandT", bound=Callable[..., Any])


def setlist_argument(command: CommandT) -> CommandT:
    """SETLIST: the file, or the folder that holds `setlist.yaml`."""
    return click.argument("setlist", type=click.Path(path_type=Path))(command)


def venue_option(command: CommandT) -> CommandT:
    """`--venue NAME`."""
    said = "The room, as the setlist names it."
    return click.option("--venue", metavar="NAME", shell_complete=offer(venues), help=said)(command)


def presses_option(help_: str) -> Callable[[CommandT], CommandT]:
    """`--presses FILE`: a press script or a pedal take."""
    return click.option("--presses", type=click.Path(path_type=Path), metavar="FILE", help=help_)


def api_option(command: CommandT) -> CommandT:
    """`--midi-api NAME`."""
    return click.option(
        "--midi-api",
        "api",
        type=click.Choice(["auto", "alsa", "jack", "core", "windows"]),
        default="auto",
        show_default=True,
        help="The MIDI system.",
    )(command)


def load(setlist: Path, venue: str | None, *, stems: bool = False, files: Files | None = None) -> tuple[Show, Compiled]:
    """The show and its plan. A demo show may be named alone (`show_at`). `stems`: how long tracks are is looked up in
    their sound files, where the setlist does not say it. `files`: what was read of the show before. Raises FileFaults;
    a venue that the setlist does not have is wrong usage."""
    from stagectl.show.load import load_show
    from stagectl.where import show_at

    show = load_show(show_at(setlist), files)
    if stems and any(song.cue is not None and song.cue.stems and song.length is None for song in show.setlist.songs):
        from dataclasses import replace

        from stagectl.tracks.sound.look import look

        show = replace(show, lengths=look(show).lengths)
    return show, compiled_at(show, venue)


def compiled_at(show: Show, venue: str | None) -> Compiled:
    """The plan of a show at a venue; one that the setlist does not have is wrong usage."""
    from stagectl.show.compile import compile_show

    try:
        return compile_show(show, venue)
    except ValueError as error:
        raise click.BadParameter(str(error), param_hint="--venue") from error


def presses_of(presses: Path | None, show: Show, compiled: Compiled) -> list[Timed]:
    """What feet do by a press script or a pedal take, here or beside the show; by the show's own script where none is
    named. Raises FileFaults."""
    from stagectl.errors import Fault, FileFaults
    from stagectl.rehearse.script import SCRIPT, read_script

    if presses is None:
        presses = show.folder / SCRIPT
        if not presses.exists():
            says = "this show has no script of its own: name one with --presses"
            says += ", or rehearse at a terminal (without --json), where keys stand for the controls"
            raise FileFaults([Fault(str(presses), 0, says)])
    elif not presses.exists() and (show.folder / presses).exists():
        presses = show.folder / presses
    if presses.suffix.lower() in (".mid", ".midi"):
        from stagectl.rehearse.take import read_take

        return read_take(presses, show)
    return read_script(presses, compiled.plan)


def last_journal() -> Path:
    """The journal of the last night, which is the one that began last and came to anything. Raises JournalError where
    there is none."""
    from stagectl.errors import JournalError
    from stagectl.journal.paths import folders, nights, ordered
    from stagectl.journal.read import came_to_nothing, open_read

    paths = ordered(*folders())
    if not paths:
        raise JournalError(f"there is no night yet in {nights()}")
    for path in paths:
        try:
            with closing(open_read(path)) as connection:
                if not came_to_nothing(connection):
                    return path
        except JournalError:
            # Whoever asked for it is told what is the matter with it.
            return path
    return paths[0]


def journal_at(named: Path | None) -> Path:
    """The journal that is named: by a path, or by its bare name in the folders of the nights, as `stagectl nights`
    lists it; the last night where none is. Raises JournalError where there is none of that name."""
    if named is None:
        return last_journal()
    if named.is_file() or len(named.parts) != 1:
        return named
    from stagectl.errors import JournalError, nearest
    from stagectl.journal.paths import SUFFIX, by_name, folders, nights

    found = by_name(*folders())
    for path in found:
        if path.name in (named.name, f"{named.name}{SUFFIX}"):
            return path
    known = [path.stem for path in found[::-1]]
    says = f"There is no journal at {named}, and no night of that name in {nights()}"
    raise JournalError(f"{says}{nearest(named.stem, known) if known else ''}")


def put_utf8(text: str) -> None:
    """Write to the standard output what other programs read: UTF-8, whatever the terminal is set to, with the ends of
    its lines as they are."""
    sys.stdout.flush()
    sys.stdout.buffer.write(text.encode("utf-8", "replace"))
    sys.stdout.buffer.flush()


def aligned(rows: Sequence[Sequence[str]], left: Collection[int]) -> Iterator[str]:
    """The lines of a table. `left`: the columns that begin at the left; numbers end at the right."""
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    for row in rows:
        cells = (
            cell.ljust(width) if at in left else cell.rjust(width)
            for at, (cell, width) in enumerate(zip(row, widths, strict=True))
        )
        yield f"    {'  '.join(cells)}".rstrip()


def count(number: int, what: str) -> str:
    """`1 song`, `2 songs`."""
    return f"{number} {what}" + ("" if number == 1 else "s")
