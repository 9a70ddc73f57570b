"""A listener's sends: songs across, inputs down, in each cell a bar and the level, and an arrow where feet moved it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

from stagectl.core.levels import Off
from stagectl.report.draw import Drawing, triangle
from stagectl.report.figures import Cell, Mix, Song
from stagectl.report.style import SHADES, WIDTH
from stagectl.report.words import count, level_text, signed, wrapped

ACROSS: Final = 10
"""Songs side by side; more go below, shared out evenly."""

DOWN: Final = 32
"""Inputs in one drawing, so that it never is higher than a page."""

LABEL: Final = 118
CELL: Final = (WIDTH - LABEL) / ACROSS
NAME_CELLS: Final = 19
SONG_CELLS: Final = 11
SONG_LINES: Final = 3

ROW: Final = 18
MOVED_ROW: Final = 30
"""Heights of a row, and of one with arrows in it."""

BOTTOM: Final = -3_600
TOP: Final = 600
"""The levels of an empty and of a full bar, hundredths of a dB."""

TALL: Final = 15
"""How high a full bar is."""

LEGEND: Final = (
    "Levels in dB as the song was left, bold where they differ from the song before; bars and shades from -36 dB to "
    "+6 dB. Full arrows: by how many dB feet moved it in that song; open ones: a hand at the desk. A thick line over a "
    "bar: a foot wanted more and was at a bound, or the level is the highest that the show allows."
)


def panels(mix: Mix, songs: Sequence[Song], first: int) -> list[str]:
    """The drawings of one listener. `first`: the number of the first column's song, 0 for before the first."""
    names = list(mix.inputs)
    return [
        _panel(mix, names[row : row + DOWN], songs, range(begin, end), first)
        for begin, end in _shared_out(len(songs))
        for row in range(0, len(names), DOWN)
    ]


def _shared_out(songs: int) -> Iterator[tuple[int, int]]:
    rows = -(-songs // ACROSS)
    for row in range(rows):
        yield songs * row // rows, songs * (row + 1) // rows


def _panel(mix: Mix, inputs: Sequence[str], songs: Sequence[Song], columns: range, first: int) -> str:
    label = f"Levels of {mix.listener}, {songs[columns[0]].name} to {songs[columns[-1]].name}"
    drawing = Drawing(label, WIDTH)
    heads = [_head(songs[at], first + at) for at in columns]
    y = max(map(len, heads)) * 10 + 4.0
    for place, lines in enumerate(heads):
        for at, line in enumerate(lines):
            whole = songs[columns[place]].name
            base = y - 5 - 10 * (len(lines) - 1 - at)
            drawing.name(LABEL + place * CELL, base, line, "s q", SONG_CELLS, whole if at == 0 else line)
    drawing.path(f"M0 {y:g}H{LABEL + len(columns) * CELL:g}", "line")
    for name in inputs:
        cells = mix.inputs[name]
        high = MOVED_ROW if any(cells[at].moved for at in columns) else ROW
        drawing.name(0, y + 13, name, "m", NAME_CELLS)
        for place, at in enumerate(columns):
            _cell(
                drawing,
                high,
                LABEL + place * CELL,
                y,
                cells[at],
                cells[at - 1] if at else None,
                f"{name}, {songs[at].name}",
            )
        y += high
        drawing.path(f"M0 {y:g}H{LABEL + len(columns) * CELL:g}", "hair")
    return drawing.svg(y + 2)


def _head(song: Song, number: int) -> list[str]:
    return wrapped(f"{number} {song.name}" if number else "before", SONG_CELLS, SONG_LINES)


def _cell(drawing: Drawing, high: int, x: float, y: float, cell: Cell, before: Cell | None, where: str) -> None:
    shown = level_text(cell.level)
    if cell.level is not None and not isinstance(cell.level, Off):
        share = (min(max(cell.level, BOTTOM), TOP) - BOTTOM) / (TOP - BOTTOM)
        tall = max(1.0, share * TALL)
        drawing.rect(x, y + 1, CELL - 2, high - 2, f"h{round(share * (SHADES - 1))}")
        drawing.rect(x, y + 17 - tall, 6, tall, "bar")
        if cell.at_ceiling or cell.held:
            drawing.path(f"M{x - 2:g} {y + 16 - tall:g}h10", "strong", f"{where}: {_bound(cell)}")
    elif cell.held:
        drawing.path(f"M{x - 2:g} {y + 15.5:g}h10", "strong", f"{where}: {_bound(cell)}")
    if shown:
        is_new = before is not None and before.level is not None and before.level != cell.level
        drawing.text(x + 10, y + 13, shown, "m b" if is_new else "m")
    if cell.moved:
        _arrows(drawing, x + 10, y + 26, cell, where)


def _arrows(drawing: Drawing, x: float, y: float, cell: Cell, where: str) -> None:
    look = "open" if cell.hands == cell.ups + cell.downs else "ink"
    ways = [cell.net > 0] if cell.net else [way for way, some in ((True, cell.ups), (False, cell.downs)) if some]
    for at, up in enumerate(ways):
        drawing.path(triangle(x + at * 8, y, up), look, f"{where}: {moved_text(cell)}")
    if cell.net:
        drawing.text(x + 9, y, signed(abs(cell.net)).lstrip("+"), "s")


def moved_text(cell: Cell) -> str:
    """`3 up, 1 down, +2.5 dB in all, 1 of them by hand at the desk`."""
    parts = [f"{number:,} {way}" for number, way in ((cell.ups, "up"), (cell.downs, "down")) if number]
    parts.append(f"{signed(cell.net)} dB in all")
    if cell.hands:
        parts.append(f"{cell.hands:,} of them by hand at the desk")
    return ", ".join(parts)


def _bound(cell: Cell) -> str:
    parts = ["the highest that the show allows"] if cell.at_ceiling else []
    parts += [f"refused {count(cell.held, 'time')} at a bound"] if cell.held else []
    return ", ".join(parts)
