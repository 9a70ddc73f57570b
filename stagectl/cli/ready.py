"""`stagectl ready`: the look before doors."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final, NoReturn

import click

from stagectl.cli.at import PAGE_AT, page_option
from stagectl.cli.common import api_option, load, setlist_argument, venue_option

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from stagectl.ready.finding import Finding
    from stagectl.ready.room import Machine, Room

CLOSES_S: Final = 0.4
"""How long closing a port may take, s; then it is left to the system."""


@click.command("ready")
@setlist_argument
@venue_option
@api_option
@page_option(f"Where the stage page will be served; left bare, at {PAGE_AT}.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line, and the sum as the last.")
def command(setlist: Path, venue: str | None, api: str, page: tuple[str, int] | None, as_json: bool) -> None:
    """Look whether everything that tonight needs is here: the show's files, pedals, desk, players, sound, page,
    journal, clock, battery. To be run at the venue, before doors, with everything plugged in.

    Each line says `fine`, `look` (the night can be played, but look at it), `wrong`, or `unknown` where this machine
    does not say, and below it what to do. The desk is asked and told nothing; nothing is claimed, and nothing is
    changed. All of it is looked at at the same time, and whatever hangs is given up within four seconds. The exit code
    is 0 where nothing is wrong, 1 where it is in what you wrote, 3 where it is a device or the system.

    \b
    Example:
      stagectl ready setlists/nine-songs --venue "Tidewater Hall" --page 0.0.0.0:8480
    """
    from datetime import datetime

    from stagectl.ready.finding import exit_code, sentence
    from stagectl.ready.looks import look_around
    from stagectl.ready.room import Machine, Room
    from stagectl.term.ink import echo
    from stagectl.term.waiting import Waiting
    from stagectl.where import show_at

    machine = Machine(setlist=show_at(setlist), venue=venue, api=api, page=page, now=datetime.now().astimezone())

    def read() -> Room:
        show, compiled = load(setlist, venue)
        return Room(**vars(machine), show=show, compiled=compiled)

    with Waiting("looking around"):
        found = look_around(machine, read)
    if as_json:
        for line in objects(found):
            click.echo(line)
    else:
        for text, kind in lines(found):
            echo(text, kind)
        echo(sentence(found), "sound")
    _end(exit_code(found), machine)


def lines(found: Sequence[Finding]) -> Iterator[tuple[str, str]]:
    """A line for each finding, and one below it where there is something to do; each with its kind."""
    word = max(len(one.word) for one in found)
    what = max(len(one.what) for one in found)
    for one in found:
        yield f"{one.word:<{word}}  {one.what:<{what}}  {one.says}", "looked"
        if one.do:
            yield f"{'':<{word}}  {'':<{what}}  → {one.do}", ""


def objects(found: Sequence[Finding]) -> Iterator[str]:
    """The same as lines of JSON."""
    import json

    from stagectl.ready.finding import counted, sentence

    for one in found:
        said = {"kind": "looked", "word": one.word, "what": one.what, "says": one.says, "do": one.do or None}
        yield json.dumps(said, ensure_ascii=False)
    count = counted(found)
    ready = {"ready": not count["wrong"], "wrong": count["wrong"], "look": count["look"], "says": sentence(found)}
    yield json.dumps({"kind": "ready", **ready}, ensure_ascii=False)


def _end(code: int, machine: Machine) -> NoReturn:
    """Close what is open, and end at once: a driver or a disk that hangs in a thread would hold up the usual end. Where
    closing a port takes Python's lock along (`desk/process.py`), only C can still end the process."""
    import os
    import sys
    import time
    from contextlib import suppress

    from stagectl.ready.aside import Aside
    from stagectl.ready.ends import end_within

    for stream in (sys.stdout, sys.stderr):
        stream.flush()
    with open(os.devnull, "w") as nowhere:
        if machine.afterwards:
            end_within(2 * CLOSES_S, code, nowhere)
        for close in machine.afterwards:
            with suppress(Exception):
                Aside(close, "closing").result(time.monotonic() + CLOSES_S)
        os._exit(code)
