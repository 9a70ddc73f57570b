"""What a shell may offer while a command is typed: names of the show and of the night that are on the line already.

A shell asks at each press of the tab key, so this loads no model and checks nothing: names are taken from the text of
the files as they stand, faulty or not. Whatever goes wrong, there is nothing to offer, and nothing is said.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterable
from contextlib import closing
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    import click
    from click.shell_completion import CompletionItem

Offer = Callable[["click.Context", "click.Parameter", str], "list[CompletionItem]"]
Names = Callable[["click.Context"], Iterable[str]]

BYTES_MAX: Final = 4_000_000
"""A file that is longer is not read."""

NIGHTS_MAX: Final = 50
"""Nights that are offered, the last ones."""

READ_S: Final = 0.5
"""How long a journal is read for names, s; in a longer night nothing is offered."""

LOOKED: Final = 10_000
"""Steps of SQLite's machine between two looks at the clock."""


def offer(names: Names, *, files: bool = False) -> Offer:
    """What begins with the letters that are there, be they large or small. `files`: or any file."""

    @wraps(names)
    def offered(ctx: click.Context, _: click.Parameter, incomplete: str) -> list[CompletionItem]:
        from click.shell_completion import CompletionItem

        # A shell may forget what came before it hears of files, and so they come first.
        found = [CompletionItem(incomplete, type="file")] if files else []
        try:
            begins = [str(name) for name in names(ctx) if str(name).casefold().startswith(incomplete.casefold())]
        except Exception:  # noqa: BLE001 - a tab key never brings a traceback
            return found
        # What would break the lines that the shell reads is not offered.
        return found + [CompletionItem(name) for name in dict.fromkeys(begins) if name.isprintable()]

    return offered


def _typed(path: str | Path) -> Path:
    """What a path that is being typed means. A shell asks before it has put anything in the place of `~` or `$HOME`."""
    return Path(path) if os.path.lexists(path) else Path(os.path.expandvars(path)).expanduser()


# -- of the show ------------------------------------------------------------------------------------------


def _setlist(ctx: click.Context) -> Path:
    """The setlist's file. While the value of an option is missing, what stands before it is not taken apart."""
    from stagectl.where import show_at

    given = ctx.params.get("setlist") or ctx.params.get("show")
    path = show_at(_typed(given)) if given else next(at for one in ctx.args if (at := show_at(_typed(one))).exists())
    return path / "setlist.yaml" if path.is_dir() else path


def _read(path: Path) -> Any:
    """A file as lists, mappings and texts: no name is taken for a number."""
    import yaml

    from stagectl.regular import open_regular

    with open_regular(path) as file:
        raw = file.read(BYTES_MAX + 1)
    if len(raw) > BYTES_MAX:
        return {}
    return yaml.load(raw.decode("utf-8-sig"), Loader=getattr(yaml, "CBaseLoader", yaml.BaseLoader))


def _songs(ctx: click.Context) -> Any:
    return _read(_setlist(ctx))["songs"]


def _rig(ctx: click.Context) -> Any:
    setlist = _setlist(ctx)
    return _read(setlist.parent / _read(setlist)["rig"])


def _names(rows: Any) -> list[str]:
    return [row["name"] for row in rows if isinstance(row, dict) and "name" in row]


def venues(ctx: click.Context) -> Iterable[str]:
    """The rooms of the setlist."""
    return _read(_setlist(ctx))["venues"]  # type: ignore[no-any-return]


def songs(ctx: click.Context) -> Iterable[str]:
    """The songs of the setlist."""
    return _names(_songs(ctx))


def sections(ctx: click.Context) -> Iterable[str]:
    """The sections of the song that is named."""
    return _names(next(song for song in _songs(ctx) if song["name"] == ctx.params["song"])["sections"])


def listeners(ctx: click.Context) -> Iterable[str]:
    """The listeners of the rig."""
    return _names(_rig(ctx)["listeners"])


def inputs(ctx: click.Context) -> Iterable[str]:
    """The inputs of the rig, and what stands for one."""
    return ["own", "whole mix", *_names(_rig(ctx)["inputs"])]


def profiles(_: click.Context) -> Iterable[str]:
    """The desk profiles that ship with the program."""
    from stagectl.where import shipped

    return sorted(path.stem for path in (shipped("mappings") / "desks").glob("*.yaml"))


def things(_: click.Context) -> Iterable[str]:
    """What ships with the program and can be copied."""
    from stagectl.archive.shipped import things as shipped_things

    return [thing.name for thing in shipped_things()]


# -- of the night -----------------------------------------------------------------------------------------


def journals(_: click.Context) -> Iterable[str]:
    """The names of the nights that were kept, the last one first."""
    from stagectl.journal.paths import folders, ordered

    return [path.stem for path in ordered(*folders())[:NIGHTS_MAX]]


def of_night(part: str) -> Names:
    """The names that the night on the line has, or else the last night: of a `listener`, a `song` or a `pedal`."""

    def found(ctx: click.Context) -> Iterable[str]:
        import sqlite3

        from stagectl.cli.common import journal_at
        from stagectl.journal.query import names
        from stagectl.journal.wary import wary

        named = ctx.params.get("journal")
        path = journal_at(named if named is None else _typed(named))
        ends = time.monotonic() + READ_S
        # Read as it lies there: to bring anything home is for those who read it in earnest.
        with closing(wary(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True))) as connection:
            connection.set_progress_handler(lambda: time.monotonic() > ends, LOOKED)
            return names(connection, part)

    return found
