"""A listener's sends: songs across, inputs down, in each cell a bar and the level, and an arrow where feet moved it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import lru_cache
from typing import Final

from stagectl.core.levels import Off
from stagectl.report.draw import Drawing, px, triangle
from stagectl.report.figures import Cell, Mix, Song
from stagectl.report.style import SHADES, WIDTH
from stagectl.report.words import NUMBERS_KEPT, count, level_text, signed, wrapped

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
    "bar: a foot wanted more and was at a bound, or the level is the highest that the show allows, or above that."
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
    places = [_Column(LABEL + place * CELL, at) for place, at in enumerate(columns)]
    for name in inputs:
        cells = mix.inputs[name]
        high = MOVED_ROW if any(cells[at].moved for at in columns) else ROW
        drawing.name(0, y + 13, name, "m", NAME_CELLS)
        row = _Row(y, high)
        for column in places:
            _cell(drawing, row, column, cells, f"{name}, {songs[column.at].name}")
        y += high
        drawing.path(f"M0 {y:g}H{LABEL + len(columns) * CELL:g}", "hair")
    return drawing.svg(y + 2)


class _Column:
    """Where a song's cells are, CSS pixels, also as text: a page has some ten thousand cells. `at`: the song's place
    in the report."""

    def __init__(self, x: float, at: int) -> None:
        self.x, self.at = x, at
        self.bar, self.said = px(x), px(x + 10)


class _Row:
    """Where an input's cells are, and how high, CSS pixels, also as text."""

    def __init__(self, y: float, high: int) -> None:
        self.y = y
        self.box = f'y="{px(y + 1)}" width="{px(CELL - 2)}" height="{px(high - 2)}"'
        self.base = px(y + 13)


def _head(song: Song, number: int) -> list[str]:
    return wrapped(f"{number} {song.name}" if number else "before", SONG_CELLS, SONG_LINES)


def _cell(drawing: Drawing, row: _Row, column: _Column, cells: Sequence[Cell], where: str) -> None:
    cell = cells[column.at]
    x, y, level = column.x, row.y, cell.level
    if level is not None and not isinstance(level, Off):
        tall, shade, tall_text = _bar(level)
        drawing.put(
            f'<rect x="{column.bar}" {row.box} class="{shade}"/>'
            f'<rect x="{column.bar}" y="{px(y + 17 - tall)}" width="6" height="{tall_text}" class="bar"/>'
        )
        if cell.at_ceiling or cell.held:
            drawing.path(f"M{x - 2:g} {y + 16 - tall:g}h10", "strong", f"{where}: {_bound(cell)}")
    elif cell.held:
        drawing.path(f"M{x - 2:g} {y + 15.5:g}h10", "strong", f"{where}: {_bound(cell)}")
    if level is not None:
        before = cells[column.at - 1].level if column.at else None
        look = "m b" if before is not None and before != level else "m"
        drawing.put(f'<text x="{column.said}" y="{row.base}" class="{look}">{level_text(level)}</text>')
    if cell.moved:
        _arrows(drawing, x + 10, y + 26, cell, where)


@lru_cache(NUMBERS_KEPT)
def _bar(level: int) -> tuple[float, str, str]:
    """How high the bar of a level is, CSS pixels; the class of its shade; the height as text."""
    share = (min(max(level, BOTTOM), TOP) - BOTTOM) / (TOP - BOTTOM)
    tall = max(1.0, share * TALL)
    return tall, f"h{round(share * (SHADES - 1))}", px(tall)


def _arrows(drawing: Drawing, x: float, y: float, cell: Cell, where: str) -> None:
    look = "open" if cell.hands == cell.ups + cell.downs else "ink"
    ways = [cell.net > 0] if cell.net else [way for way, some in ((True, cell.ups), (False, cell.downs)) if some]
    for at, up in enumerate(ways):
        drawing.path(triangle(x + at * 8, y, up), look, f"{where}: {moved_text(cell)}")
    if cell.net:
        drawing.text(x + 9, y, signed(abs(cell.net)).lstrip("+"), "s")


def moved_text(cell: Cell) -> str:
    """`3 up, 1 down, +2.5 dB in all, 1 of them by hand at the desk`. Where a level was moved to or from `off`, there is
    no sum of its moves."""
    parts = [f"{number:,} {way}" for number, way in ((cell.ups, "up"), (cell.downs, "down")) if number]
    parts.append("off among them" if cell.net is None else f"{signed(cell.net)} dB in all")
    if cell.hands:
        parts.append(f"{cell.hands:,} of them by hand at the desk")
    return ", ".join(parts)


def _bound(cell: Cell) -> str:
    parts = ["no lower than the highest that the show allows"] if cell.at_ceiling else []
    parts += [f"refused {count(cell.held, 'time')} at a bound"] if cell.held else []
    return ", ".join(parts)
