"""Nights that the tests of the report look at: a real one from a rehearsal, and others made up row by row."""

from __future__ import annotations

import random
import re
import shutil
from collections.abc import Iterable, Sequence
from contextlib import closing
from functools import cache
from itertools import groupby
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

from stagectl.core.events import DeskCame, DeskWent
from stagectl.core.levels import Level
from stagectl.journal.schema import Night
from stagectl.journal.write import Journal
from stagectl.rehearse.room import Room, Timed
from stagectl.rehearse.script import read_script
from stagectl.show.compile import compile_show
from stagectl.show.load import Show, load_show
from stagectl.story.rows import Row
from stagectl.where import shipped

DEMO: Final = shipped("setlists") / "nine-songs"

SECOND: Final = 1_000_000_000
MINUTE: Final = 60 * SECOND

BEGUN_US: Final = 1_795_636_800_000_000
"""2026-11-25T20:00:00Z, µs."""

HEAD: Final = Night(
    setlist="nine songs", venue="Tidewater Hall", begun_us=BEGUN_US, zone="CET", zone_offset=3600, program="0.1.0"
)

HERE: Final = Row(0, "link", who="desk", what="here")
END: Final = Row(70 * MINUTE, "end")


def arrival(at: int, song: str, section: str | None = None, press: int = 1) -> Row:
    """The night comes to a song."""
    return Row(at, "arrival", press, song=song, section=section)


def change(at: int, sent: Level, before: Level | None = None, what: str = "next", **names: str) -> Row:
    """A send is moved: that of the lead vocal of the singer, where nothing else is said."""
    fields = {"who": "singer", "listener": "singer", "input": "lead vocal"} | names
    return Row(at, "change", 1, what=what, before=before, after=sent, sent=sent, **fields)  # type: ignore[arg-type]


def written(path: Path, rows: Iterable[Row], head: Night = HEAD, set_back: Sequence[tuple[int, int]] = ()) -> Path:
    """A journal of rows, each written at its time. `set_back`: from which time on, ns, the clock on the wall was so
    much ahead of what it was at the beginning, µs."""
    with closing(Journal.create(path, head)) as journal:
        for now, some in groupby(rows, key=lambda row: row.at):
            ahead = [by for at, by in set_back if at <= now]
            journal.write(list(some), head.begun_us + now // 1000 + (ahead[-1] if ahead else 0))
    return path


def stretched(presses: Sequence[Timed], by: int) -> list[Timed]:
    """A script with its pauses so many times as long; what a foot does at once stays as it is."""
    out, at, last = [], 0, 0
    for one in presses:
        gap = one.at - last
        at, last = at + (gap if gap <= SECOND else gap * by), one.at
        out.append(Timed(at, one.event))
    return out


def _quick(place: Path) -> Show:
    """The demo without the length of its fades: most of a night's steps are theirs, and rows say where they end."""
    setlist = Path(shutil.copytree(DEMO, place / "show")) / "setlist.yaml"
    setlist.write_text(re.sub(r"fade: [1-9][\d.]*", "fade: 0.2", setlist.read_text("utf-8")), "utf-8")
    return load_show(setlist.parent)


@cache
def demo_rows() -> tuple[Row, ...]:
    """The demo night from its own script, with pauses 15 times as long, as of a real night. The desk is gone for a
    while in it, and how soon first bytes left is made up by a seed."""
    with TemporaryDirectory() as place:
        show = _quick(Path(place))
    compiled = compile_show(show, "Tidewater Hall")
    room, chance = Room(show, compiled), random.Random(7)
    script = stretched(read_script(DEMO / "presses.yaml", compiled.plan), 15)
    middle = script[len(script) // 2].at
    script += [Timed(middle + 2 * SECOND, DeskWent()), Timed(middle + 43 * SECOND, DeskCame())]
    script.sort(key=lambda one: one.at)
    rows = [moment for moment in room.play(script) if isinstance(moment, Row)]
    told = [
        row._replace(number=int(chance.lognormvariate(6.4, 0.5)) + 9_000 * (chance.random() < 0.03))
        if row.kind == "press"
        else row
        for row in rows
    ]
    last = max(row.at for row in told)
    hand = Row(middle + MINUTE, "change", 999, "desk", "hand", listener="bassist", input="kick")
    told.append(hand._replace(before=-800, after=-550, sent=-550))
    told.append(Row(middle + MINUTE, "trouble", what="the desk: its port takes no bytes"))
    told.append(Row(last + MINUTE, "end"))
    return tuple(sorted(told, key=lambda row: row.at))
