"""Lines of the table: the core, the check, the journal's size."""

from __future__ import annotations

import tempfile
import time
from pathlib import Path
from typing import Final

from bench_check import SONGS as CHECKED
from bench_check import YAML, Cost, once
from bench_journal import grown
from bench_step import PRESSES, deaf, feet, plan_of, rate, wishes
from big_shows import Size as ShowSize
from big_shows import write_big

from bench_parts.figures import Figure
from bench_parts.size import Size
from bench_parts.table import Line, number, pair, times
from stagectl.core.actions import Nudge
from stagectl.core.effects import Pressed

MB: Final = 1.048576
"""Of those of 1,048,576 bytes, in which `check`'s bench counts."""

STEPPED: Final = 60
"""Songs of the show that is stepped through."""


def copies(sends: int) -> float:
    """How often a second a dictionary of so many levels is copied, one of them changed, and a record made of it: what
    a state of that size costs in a language of this speed."""
    levels = dict.fromkeys(range(sends), -600)
    begun = time.perf_counter()
    for at in range(PRESSES):
        levels = dict(levels)
        levels[at % sends] = at
        Pressed(at=at, press=0, who="bench", what="nudge")
    return PRESSES / (time.perf_counter() - begun)


def steps(size: Size) -> list[Line]:
    """Presses a second of the core, and what each costs."""
    plan = plan_of(STEPPED)
    _ = plan.rests
    nudges = wishes(plan, Nudge(by=100, column=3), Nudge(by=-100, column=3))
    kinds = {
        "feet on switches, down and up": (plan, feet(plan), False),
        "a nudge": (plan, nudges, False),
        "a nudge, with its messages": (deaf(plan), nudges, True),
    }
    sends = len(plan.listeners) * plan.width
    found: dict[str, list[list[float]]] = {name: [] for name in kinds}
    bare: list[list[float]] = []
    for _ in range(max(size.runs, 2)):
        for name, (of, events, desk) in kinds.items():
            found[name].append([rate(of, events, desk=desk, runs=1)])
        bare.append([copies(sends)])
    lines: list[Line] = []
    for at, (name, rates) in enumerate(found.items()):
        beside = [(f"bare: a dictionary of {sends} is copied", bare)]
        both = pair((f"core.step, {STEPPED} songs: {name}", rates), beside, "a second", 1)
        lines += both if at == len(found) - 1 else both[:1]
    return lines


def checks(size: Size) -> list[Line]:
    """`check` by size, processes from start to end, beside a bare reader of the same setlist."""
    lines: list[Line] = []
    with tempfile.TemporaryDirectory() as folder:
        for songs in CHECKED:
            show = write_big(Path(folder) / str(songs), ShowSize(songs=songs))
            ours: list[Cost] = []
            bare: list[Cost] = []
            # The first run of each compiles, and counts in neither.
            for _ in range(size.runs + 1):
                ours.append(once("-m", "stagectl", "check", str(show)))
                bare.append(once("-c", YAML, str(show / "setlist.yaml")))
            del ours[0], bare[0]
            most = [f"at most {number(MB * max(one.memory for one in each))} MB" for each in (ours, bare)]
            lines += pair(
                (f"check, {songs} songs", [[one.wall] for one in ours]),
                [("bare: PyYAML's C loader reads the setlist", [[one.wall] for one in bare])],
                "s",
                1,
                notes=most,
            )
    return lines


def journal(size: Size) -> list[Line]:
    """Bytes a change, for the demo nights. It is counted, so there is no spread."""
    lines = []
    for name in ("nine-songs", "three-songs"):
        one = grown(name, size.times)
        ours, bare = one.taken / one.changes, one.as_lines / one.changes
        beside = times([[ours]], [[bare]], tails=False).partition(" (")[0] + " ×"
        lines.append(
            Line(
                f"journal, bytes a change: {name}",
                "bytes",
                Figure(ours, ours, ours),
                values=f"{one.changes:,} changes",
                beside=beside,
            )
        )
        lines.append(Line("  bare: its rows as lines of JSON", "bytes", Figure(bare, bare, bare)))
    return lines
