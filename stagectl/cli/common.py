"""What several commands share: the setlist argument, the venue, the MIDI system."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from stagectl.show.compile import Compiled
    from stagectl.show.load import Show

CommandT = TypeVar("CommandT", bound=Callable[..., Any])


def setlist_argument(command: CommandT) -> CommandT:
    """SETLIST: the file, or the folder that holds `setlist.yaml`."""
    return click.argument("setlist", type=click.Path(path_type=Path))(command)


def venue_option(command: CommandT) -> CommandT:
    """`--venue NAME`."""
    return click.option("--venue", metavar="NAME", help="The room, as the setlist names it.")(command)


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


def load(setlist: Path, venue: str | None) -> tuple[Show, Compiled]:
    """The show and its plan. Raises FileFaults; a venue that the setlist does not have is wrong usage."""
    from stagectl.show.compile import compile_show
    from stagectl.show.load import load_show

    show = load_show(setlist)
    try:
        return show, compile_show(show, venue)
    except ValueError as error:
        raise click.BadParameter(str(error), param_hint="--venue") from error


def count(number: int, what: str) -> str:
    """`1 song`, `2 songs`."""
    return f"{number} {what}" + ("" if number == 1 else "s")
