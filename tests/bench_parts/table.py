"""One table of figures: for a terminal, or as Markdown."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final, NamedTuple

from bench_parts.figures import Blocks, Figure, figure, jitter, median, p99, ratio

HEAD: Final = ("what", "unit", "median", "95 % of it", "p99", "p99 − p50", "values", "beside bare (95 %), p99", "")


class Line(NamedTuple):
    """A line of the table. `values`: how many, in how many blocks; `beside`: what it is beside the bare way."""

    what: str
    unit: str
    middle: Figure
    p99: float | None = None
    jitter: float | None = None
    values: str = ""
    beside: str = ""
    note: str = ""


def number(value: float) -> str:
    """Three digits and more."""
    digits = 0 if abs(value) >= 1_000 else 1 if abs(value) >= 100 else 2 if abs(value) >= 1 else 3
    return f"{value:,.{digits}f}"


def times(ours: Blocks, bare: Blocks, *, tails: bool) -> str:
    """Ours as a multiple of the bare way. `tails`: and so of the 99th percentiles."""
    middle = ratio(ours, bare, median)
    text = f"{number(middle.value)} ({number(middle.low)} … {number(middle.high)}) ×"
    return f"{text}, {number(ratio(ours, bare, p99).value)} ×" if tails else text


def pair(
    ours: tuple[str, Blocks],
    bares: Sequence[tuple[str, Blocks]],
    unit: str,
    scale: float,
    *,
    tails: bool = False,
    notes: Sequence[str] = (),
) -> list[Line]:
    """Ours, beside the first of the bare ways, and these below it. `scale`: of a value, to be in the unit; `tails`:
    with 99th percentiles, where there are values enough; `notes`: one for each line."""
    lines = []
    for at, (what, blocks) in enumerate((ours, *bares)):
        beside = times(ours[1], bares[0][1], tails=tails) if bares and not at else ""
        note = notes[at] if at < len(notes) else ""
        lines.append(line(what if not at else f"  {what}", blocks, unit, scale, tails=tails, beside=beside, note=note))
    return lines


def line(
    what: str, blocks: Blocks, unit: str, scale: float, *, tails: bool = False, beside: str = "", note: str = ""
) -> Line:
    """A line of some blocks."""

    def scaled(of: Callable[[Sequence[float]], float]) -> Figure:
        return Figure(*(part * scale for part in figure(blocks, of)))

    count = sum(map(len, blocks))
    values = f"{count:,} in {len(blocks)}" if len(blocks) != count else f"{count:,}"
    tail, distance = (scaled(p99).value, scaled(jitter).value) if tails else (None, None)
    return Line(what, unit, scaled(median), tail, distance, values, beside, note)


def as_text(lines: Sequence[Line]) -> list[str]:
    """Columns that line up."""
    rows = [HEAD, *map(_cells, lines)]
    wide = [max(len(row[at]) for row in rows) for at in range(len(HEAD))]
    return [
        "  ".join(
            cell.ljust(width) if at in LEFT else cell.rjust(width)
            for at, (cell, width) in enumerate(zip(row, wide, strict=True))
        ).rstrip()
        for row in rows
    ]


def as_markdown(lines: Sequence[Line]) -> list[str]:
    """A table for a text file."""
    rule = [":--" if at in LEFT else "--:" for at in range(len(HEAD))]
    return ["| " + " | ".join(cells) + " |" for cells in (HEAD, rule, *map(_cells, lines))]


LEFT: Final = (0, 1, 7, 8)
"""Columns of words."""


def _cells(one: Line) -> tuple[str, ...]:
    low, high = number(one.middle.low), number(one.middle.high)
    tail = ("" if value is None else number(value) for value in (one.p99, one.jitter))
    return (one.what, one.unit, number(one.middle.value), f"{low} … {high}", *tail, one.values, one.beside, one.note)
