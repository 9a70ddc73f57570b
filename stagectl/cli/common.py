"""What several commands share: the setlist argument, the venue, the MIDI system, what feet do in a rehearsal."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from stagectl.rehearse.room import Timed
    from stagectl.show.compile import Compiled
    from stagectl.show.load import Show

CommandT = TypeVar("CommandT", bound=Callable[..., Any])


def setlist_argument(command: CommandT) -> CommandT:
    """SETLIST: the file, or the folder that holds `setlist.yaml`."""
    return click.argument("setlist", type=click.Path(path_type=Path))(command)


def venue_option(command: CommandT) -> CommandT:
    """`--venue NAME`."""
    return click.option("--venue", metavar="NAME", help="The room, as the setlist names it.")(command)


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


def load(setlist: Path, venue: str | None, *, stems: bool = False) -> tuple[Show, Compiled]:
    """The show and its plan. `stems`: how long tracks are is looked up in their sound files, where the setlist does not
    say it. Raises FileFaults; a venue that the setlist does not have is wrong usage."""
    from stagectl.show.compile import compile_show
    from stagectl.show.load import load_show

    show = load_show(setlist)
    if stems and any(song.cue is not None and song.cue.stems and song.length is None for song in show.setlist.songs):
        from dataclasses import replace

        from stagectl.tracks.sound.look import look

        show = replace(show, lengths=look(show).lengths)
    try:
        return show, compile_show(show, venue)
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
            raise FileFaults([Fault(str(presses), 0, "this show has no script of its own; name one with --presses")])
    elif not presses.exists() and (show.folder / presses).exists():
        presses = show.folder / presses
    if presses.suffix.lower() in (".mid", ".midi"):
        from stagectl.rehearse.take import read_take

        return read_take(presses, show)
    return read_script(presses, compiled.plan)


def last_journal() -> Path:
    """The journal of the last night. Raises JournalError where there is none."""
    from stagectl.errors import JournalError
    from stagectl.journal.paths import latest, nights, spare_nights

    path = latest(nights(), spare_nights())
    if path is None:
        raise JournalError(f"there is no night yet in {nights()}")
    return path


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
